package api

import (
	"context"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/store"
)

// Saved is the answer to storing a document.
type Saved struct {
	Document string    `json:"document"`
	Version  int       `json:"version"`
	At       time.Time `json:"at"`
	By       string    `json:"by"`
	Note     string    `json:"note,omitempty"`
	InEffect bool      `json:"in_effect" jsonschema_description:"Whether every site that it concerns goes by it already; otherwise they will in a moment."`
	Warnings []string  `json:"warnings,omitempty"`
}

// VersionView is one version of a document.
type VersionView struct {
	Version int       `json:"version"`
	At      time.Time `json:"at"`
	By      string    `json:"by"`
	Note    string    `json:"note,omitempty"`
}

// VersionList lists the versions of a document, newest first.
type VersionList struct {
	Document string        `json:"document"`
	Versions []VersionView `json:"versions"`
}

const maxNoteParam = 200

// noteParam reads why a document is changed.
func (c *call) noteParam() (string, error) {
	note := c.QueryParam("note")
	if !validNote(note) {
		return "", badParam("note", "it has at most %d characters, on one line", maxNoteParam)
	}
	return note, nil
}

func etag(version int) string { return `"` + strconv.Itoa(version) + `"` }

// expectation reads If-Match and If-None-Match: the version that must be the newest, -1 if that does not matter, 0 if there must be none. What is wanted of a
// list of tags is that the present one is among them.
func (c *call) expectation(name string) (expect int, err error) {
	match, none := c.Request().Header.Get("If-Match"), c.Request().Header.Get("If-None-Match")
	if match == "" && none == "" {
		return -1, nil
	}
	present, err := c.api.newestVersion(c.Request().Context(), name)
	if err != nil {
		return 0, err
	}
	mismatch := problemf(codeVersionMismatch, "The document is at version %d. Get it, look what changed, and send your change again.", present).with("version", present)
	if match != "" && (present == 0 || !tagged(match, present)) {
		return 0, mismatch
	}
	if none != "" && present != 0 && tagged(none, present) {
		return 0, mismatch
	}
	return present, nil
}

// tagged reports whether a list of entity tags has the version, or is "*". A weak one will do, and a version without its quotes.
func tagged(list string, version int) bool {
	return listed(list, func(tag string) bool {
		tag = strings.TrimPrefix(tag, "W/")
		return tag == etag(version) || tag == strconv.Itoa(version)
	})
}

// listed reports whether a list of entity tags, as If-Match and If-None-Match have it (RFC 9110, section 13.1), is "*" or has one that is meant. None of our tags holds a comma.
func listed(list string, is func(tag string) bool) bool {
	for tag := range strings.SplitSeq(list, ",") {
		if tag = strings.TrimSpace(tag); tag == "*" || is(tag) {
			return true
		}
	}
	return false
}

func (a *API) newestVersion(ctx context.Context, name string) (int, error) {
	docs, err := a.store.ListDocuments(ctx, name)
	if err != nil {
		return 0, unavailable(err)
	}
	for _, d := range docs {
		if d.Name == name {
			return d.Version, nil
		}
	}
	return 0, nil
}

// document returns the version of a document that the caller asks for, with its ETag set. done is true if the caller has it already.
func (c *call) document(name string) (d store.Document, done bool, err error) {
	version, err := c.intParam("version", 0, 1, 1<<31-1)
	if err != nil {
		return d, false, err
	}
	d, err = c.api.store.GetDocument(c.Request().Context(), name, version)
	switch {
	case errors.Is(err, store.ErrNotFound) && version > 0:
		return d, false, problemf(codeUnknownDocument, "There is no version %d of the document %q.", version, name)
	case errors.Is(err, store.ErrNotFound):
		return d, false, problemf(codeUnknownDocument, "There is no document %q yet.", name)
	case err != nil:
		return d, false, unavailable(err)
	}
	c.Response().Header().Set("ETag", etag(d.Version))
	c.Response().Header().Set("Last-Modified", d.At.UTC().Format(http.TimeFormat))
	if none := c.Request().Header.Get("If-None-Match"); none != "" && tagged(none, d.Version) {
		return d, true, c.NoContent(http.StatusNotModified)
	}
	return d, false, nil
}

// save stores the next version of a document that the runner knows.
func (c *call) save(name string, body []byte, expect int) (Saved, error) {
	note, err := c.noteParam()
	if err != nil {
		return Saved{}, err
	}
	version, err := c.api.runner.SaveDocument(c.Request().Context(), name, body, c.key.Name, note, expect)
	if errors.Is(err, store.ErrConflict) {
		return Saved{}, conflict(expect)
	}
	if err != nil {
		return Saved{}, unavailable(err)
	}
	return Saved{
		Document: name, Version: version, At: c.api.opt.Now().UTC().Truncate(time.Millisecond), By: c.key.Name, Note: note,
		InEffect: c.api.settle(c.Request().Context(), event.Pin{Doc: name, Version: version}),
	}, nil
}

// answerSaved answers with what was stored as that version of a document.
func (c *call) answerSaved(version int, answer any) error {
	c.Response().Header().Set("ETag", etag(version))
	status := http.StatusOK
	if version == 1 {
		status = http.StatusCreated
	}
	return c.JSON(status, answer)
}

func conflict(expect int) error {
	if expect >= 0 {
		return problemf(codeVersionMismatch, "Somebody else changed the document at the same moment. Get it, look what changed, and send your change again.")
	}
	return problemf(codeConflict, "Somebody else keeps changing the document. Try again.")
}

// settle waits a little until the sites that a document concerns go by its new version, so that what is posted next meets it.
func (a *API) settle(ctx context.Context, pin event.Pin) bool {
	ctx, cancel := context.WithTimeout(ctx, a.opt.TakeUp)
	defer cancel()
	var ids []string
	if site, ok := strings.CutPrefix(pin.Doc, engine.LayoutDocument("")); ok {
		ids = []string{site}
	} else if all, err := a.allSites(ctx); err == nil {
		ids = all
	} else {
		return false
	}
	for _, id := range ids {
		site, err := a.runner.Site(ctx, id)
		if err != nil {
			return false
		}
		for {
			taken := false
			err := site.View(ctx, func(st *engine.State) error {
				for _, p := range st.Config().Pins {
					taken = taken || p.Doc == pin.Doc && p.Version >= pin.Version
				}
				return nil
			})
			if err == nil && taken {
				break
			}
			select {
			case <-ctx.Done():
				return false
			case <-time.After(2 * time.Millisecond):
			}
		}
	}
	return true
}

// versions answers with the versions of a document.
func (c *call) versions(name string) error {
	docs, err := c.api.store.DocumentVersions(c.Request().Context(), name)
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return unavailable(err)
	}
	if len(docs) == 0 {
		return problemf(codeUnknownDocument, "There is no document %q yet.", name)
	}
	list := VersionList{Document: name, Versions: make([]VersionView, 0, len(docs))}
	for _, d := range docs {
		list.Versions = append(list.Versions, versionView(d))
	}
	return c.JSON(http.StatusOK, list)
}

func isConflict(err error) bool { return errors.Is(err, store.ErrConflict) }
