package api

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/store"
)

var (
	codeRemoval = kit.Code{Name: "removal", Status: 422,
		Meaning: "The document takes away more than half of what there is, and allow_removal does not say that this is meant."}
	codeUnknownDocument = kit.Code{Name: "unknown_document", Status: 404, Meaning: "There is no such document, or no such version of it."}
)

// documents are what the routes about versioned documents have in common: layouts, products, rules
// and channels.
type documents struct{ *backend }

// Saved is the answer to storing a document.
type Saved struct {
	Document  string    `json:"document"`
	Version   int       `json:"version"`
	At        time.Time `json:"at"`
	By        string    `json:"by"`
	Note      string    `json:"note,omitempty"`
	Unchanged bool      `json:"unchanged" jsonschema_description:"The newest version has this content already, so that nothing was stored."`
	InEffect  bool      `json:"in_effect" jsonschema_description:"Whether every site that it concerns goes by it already; otherwise they will in a moment."`
	Warnings  []string  `json:"warnings,omitempty"`
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
func noteParam(c *kit.Call) (string, error) {
	note := c.QueryParam("note")
	if !validNote(note) {
		return "", kit.BadParam("note", "it has at most %d characters, on one line", maxNoteParam)
	}
	return note, nil
}

// expectation reads If-Match and If-None-Match: the version that must be the newest, -1 if that
// does not matter, 0 if there must be none. What is wanted of a list of tags is that the present
// one is among them.
func (h documents) expectation(c *kit.Call, name string) (expect int, err error) {
	match, none := c.Request().Header.Get("If-Match"), c.Request().Header.Get("If-None-Match")
	if match == "" && none == "" {
		return -1, nil
	}
	present, err := h.newestVersion(c.Ctx(), name)
	if err != nil {
		return 0, err
	}
	mismatch := kit.Problemf(kit.CodeVersionMismatch, "The document is at version %d. Get it, look what changed, "+
		"and send your change again.", present).With("version", present)
	if match != "" && (present == 0 || !kit.Tagged(match, present)) {
		return 0, mismatch
	}
	if none != "" && present != 0 && kit.Tagged(none, present) {
		return 0, mismatch
	}
	return present, nil
}

func (b *backend) newestVersion(ctx context.Context, name string) (int, error) {
	docs, err := b.store.ListDocuments(ctx, name)
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

// present is newestVersion of a document that must be there.
func (b *backend) present(ctx context.Context, name string) (int, error) {
	version, err := b.newestVersion(ctx, name)
	if err == nil && version == 0 {
		err = kit.Problemf(codeUnknownDocument, "There is no document %q yet.", name)
	}
	return version, err
}

// document returns the version of a document that the caller asks for, with its ETag set. done is
// true if the caller has it already.
func (h documents) document(c *kit.Call, name string) (d store.Document, done bool, err error) {
	version := c.Int("version")
	d, err = h.store.GetDocument(c.Ctx(), name, version)
	switch {
	case errors.Is(err, store.ErrNotFound) && version > 0:
		return d, false, kit.Problemf(codeUnknownDocument, "There is no version %d of the document %q.", version, name)
	case errors.Is(err, store.ErrNotFound):
		return d, false, kit.Problemf(codeUnknownDocument, "There is no document %q yet.", name)
	case err != nil:
		return d, false, unavailable(err)
	}
	c.Response().Header().Set("ETag", kit.ETag(d.Version))
	c.Response().Header().Set("Last-Modified", d.At.UTC().Format(http.TimeFormat))
	if none := c.Request().Header.Get("If-None-Match"); none != "" && kit.Tagged(none, d.Version) {
		return d, true, c.NoContent(http.StatusNotModified)
	}
	return d, false, nil
}

// save stores the next version of a document that the runner knows, if it differs from the newest one.
func (h documents) save(c *kit.Call, name string, body []byte, expect int) (Saved, error) {
	note, err := noteParam(c)
	if err != nil {
		return Saved{}, err
	}
	present, err := h.store.GetDocument(c.Ctx(), name, 0)
	switch {
	case errors.Is(err, store.ErrNotFound):
	case err != nil:
		return Saved{}, unavailable(err)
	case expect >= 0 && expect != present.Version:
		return Saved{}, conflict(expect)
	case bytes.Equal(present.Body, body):
		return h.unchanged(c.Ctx(), present), nil
	}
	version, err := h.runner.SaveDocument(c.Ctx(), name, body, c.Key.Name, note, expect)
	if errors.Is(err, store.ErrConflict) {
		return Saved{}, conflict(expect)
	}
	if err != nil {
		return Saved{}, unavailable(err)
	}
	return Saved{
		Document: name, Version: version, At: h.opt.Now().UTC().Truncate(time.Millisecond), By: c.Key.Name, Note: note,
		InEffect: h.settle(c.Ctx(), event.Pin{Doc: name, Version: version}),
	}, nil
}

// busy returns the error of Parse where the document was not parsed; nil if it was, or there is none.
func busy(err error) error {
	if codeOf(err) == kit.CodeBusy {
		return err
	}
	return nil
}

// unchanged is the answer to storing what is stored already.
func (h documents) unchanged(ctx context.Context, d store.Document) Saved {
	return Saved{Document: d.Name, Version: d.Version, At: d.At.UTC(), By: d.By, Note: d.Note, Unchanged: true,
		InEffect: h.settle(ctx, event.Pin{Doc: d.Name, Version: d.Version})}
}

// removes refuses a document that takes away more than half of what there is, unless the caller says
// that this is meant: an export that failed gives such documents.
func removes(c *kit.Call, what string, removed, before int) error {
	if 2*removed <= before || c.Flag("allow_removal") {
		return nil
	}
	return kit.Problemf(codeRemoval, "%s Nothing was stored. If it is meant, send it with ?allow_removal=true.",
		removalWarning(what, removed, before)).With("removed", removed).With("present", before)
}

func removalWarning(what string, removed, before int) string {
	return fmt.Sprintf("This removes %d of %d %s.", removed, before, what)
}

// answerSaved answers with what was stored of a document.
func answerSaved(c *kit.Call, saved Saved, answer any) error {
	c.Response().Header().Set("ETag", kit.ETag(saved.Version))
	status := http.StatusOK
	if saved.Version == 1 && !saved.Unchanged {
		status = http.StatusCreated
	}
	return c.JSON(status, answer)
}

func conflict(expect int) error {
	if expect >= 0 {
		return kit.Problemf(kit.CodeVersionMismatch,
			"Somebody else changed the document at the same moment. Get it, look what changed, and send your "+
				"change again.").Because(store.ErrConflict)
	}
	return kit.Problemf(kit.CodeConflict, "Somebody else keeps changing the document. Try again.").Because(store.ErrConflict)
}

// settle waits a little until the sites that a document concerns go by its new version, so that
// what is posted next meets it.
func (b *backend) settle(ctx context.Context, pin event.Pin) bool {
	ctx, cancel := context.WithTimeout(ctx, b.opt.TakeUp)
	defer cancel()
	var ids []string
	if site, ok := strings.CutPrefix(pin.Doc, engine.LayoutDocument("")); ok {
		ids = []string{site}
	} else if all, err := b.allSites(ctx); err == nil {
		ids = all
	} else {
		return false
	}
	for _, id := range ids {
		site, err := b.runner.Site(ctx, id)
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
func (h documents) versions(c *kit.Call, name string) error {
	docs, err := h.store.DocumentVersions(c.Ctx(), name)
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return unavailable(err)
	}
	if len(docs) == 0 {
		return kit.Problemf(codeUnknownDocument, "There is no document %q yet.", name)
	}
	list := VersionList{Document: name, Versions: make([]VersionView, 0, len(docs))}
	for _, d := range docs {
		list.Versions = append(list.Versions, versionView(d))
	}
	return c.JSON(http.StatusOK, list)
}

// savedAnswers are the answers to storing a document; dry is the one to a dry run, nil: there is
// none.
func savedAnswers(v, dry any) []kit.Answer {
	next := kit.OK("Stored as the next version; or unchanged, if the newest one has this content already.", v)
	if dry != nil {
		next = kit.OK("Stored as the next version; or with dry_run, what storing would change.", kit.OneOf{v, dry})
	}
	return []kit.Answer{kit.Reply(201, "Stored as the first version.", kit.JSON(v)...), next}
}

// savedCodes are the problems of storing a document.
var savedCodes = []kit.Code{kit.CodeInvalidDocument, kit.CodeVersionMismatch, kit.CodeConflict}

// named is a document that has one name for all sites.
func named(name string) func(*kit.Call) string { return func(*kit.Call) string { return name } }

// diffRoute is the route by which two versions of a document are compared.
func (h documents) diffRoute(path, what string, name func(*kit.Call) string, compare comparer) kit.Route {
	return kit.Route{
		Method: "GET", Path: path + "/diff", Name: "diff" + strings.ToUpper(what[:1]) + what[1:], Group: "Documents",
		Summary: "Compare two versions of the " + what,
		Scopes:  readers, Long: what == "products",
		Params: []kit.Param{
			kit.Query("from", "The older version. Default: the one before the other.").Of(kit.IntSchema(1, 0, 0)),
			kit.Query("to", "The newer version. Default: the newest.").Of(kit.IntSchema(1, 0, 0)),
		},
		Answers: []kit.Answer{kit.OK("What differs; nothing but the versions if nothing does.", DocumentDiff{})},
		Codes:   []kit.Code{codeUnknownDocument},
		Handle:  func(c *kit.Call) error { return h.diff(c, name(c), compare) },
	}
}

// versioned are the routes by which the versions of a document at a path are listed, compared and
// restored. Their operations are called by what the document is, in one word for a single one and
// one for the route, such as "layout" and "layout".
func (h documents) versioned(path, one, what string, name func(*kit.Call) string, compare comparer) []kit.Route {
	title := strings.ToUpper(what[:1]) + what[1:]
	allSites := !strings.Contains(path, "{site}")
	diff := h.diffRoute(path, what, name, compare)
	codes := []kit.Code{codeUnknownDocument, kit.CodeInvalidJSON, kit.CodeVersionMismatch, kit.CodeConflict}
	if what == "products" { // no version of them was ever stored that is not valid for ever
		diff.Params = append(diff.Params, kit.Query("limit", "How many products to list at most.").Of(kit.IntSchema(1,
			diffLimitMax, diffLimit)))
	} else {
		codes = append(codes, kit.CodeInvalidDocument)
	}
	return []kit.Route{
		{
			Method: "GET", Path: path + "/versions", Name: one + "Versions", Group: "Documents",
			Summary: "List the versions of the " + what,
			Scopes:  readers, Answers: []kit.Answer{kit.OK("The versions, newest first.", VersionList{})},
			Codes:  []kit.Code{codeUnknownDocument},
			Handle: func(c *kit.Call) error { return h.versions(c, name(c)) },
		},
		diff,
		{
			Method: "POST", Path: path + "/restore", Name: "restore" + title, Group: "Documents",
			Summary: "Go back to an earlier version of the " + what,
			About: "Stores the old content as a new version, if it is still valid: versions are never taken away. " +
				"Nothing is stored if the newest version has this content already.",
			Scopes: author, AllSites: allSites, Keyed: true, Long: what == "products", Params: []kit.Param{ifMatch},
			Body:    kit.JSON(RestoreRequest{}),
			Answers: []kit.Answer{kit.OK("Restored.", Restored{})}, Headers: withETag, Codes: codes,
			Handle: func(c *kit.Call) error { return h.restore(c, name(c)) },
		},
	}
}
