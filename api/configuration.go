package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/rules/doc"
)

// configurationRoutes are the routes by which the documents are handled as one whole.
type configurationRoutes struct{ documents }

func (h configurationRoutes) table() []kit.Route {
	const group = "Configuration"
	return []kit.Route{
		{
			Method: "GET", Path: "/v1/configuration", Name: "getConfiguration", Group: group,
			Summary: "List the documents of the configuration, as of one moment",
			About: "Their texts are at their own routes, by version. The ETag stands for all versions together. " +
				"Layouts are those of the key's sites.",
			Scopes: readers, Answers: []kit.Answer{kit.OK("The documents.", ConfigurationList{})}, Headers: withETag, Handle: h.getConfiguration,
		}, {
			Method: "POST", Path: "/v1/configuration/plan", Name: "planConfiguration", Group: group,
			Summary: "Say what applying documents would do",
			About: "Everything is checked as it would be afterwards. The ETag of the answer, as If-Match, makes " +
				"sure that what is applied is what was planned.",
			Scopes: readers, AllSites: true, Long: true, Body: kit.JSON(ConfigurationRequest{}),
			Answers: []kit.Answer{kit.OK("The plan; errors are an answer too.", ConfigurationPlan{})}, Headers: withETag, Handle: h.planConfiguration,
		}, {
			Method: "POST", Path: "/v1/configuration", Name: "applyConfiguration", Group: group,
			Summary: "Store documents that belong together, all or none",
			About: "In one step, and only if all are valid together and everything that they were checked against " +
				"is still as it was. Documents that are as they should be get no new version; those that are not sent stay. " +
				"Each site learns of all of them at once.",
			Scopes: author, AllSites: true, Long: true, Keyed: true, Params: []kit.Param{paramNote, paramRemoval, ifMatch},
			Body:    kit.JSON(ConfigurationRequest{}),
			Answers: []kit.Answer{kit.OK("What was stored.", ConfigurationApplied{})}, Headers: withETag,
			Codes: []kit.Code{kit.CodeInvalidDocument, kit.CodeInvalidJSON, kit.CodeVersionMismatch,
				kit.CodeConflict, codeRemoval}, Handle: h.applyConfiguration,
		},
	}
}

// ConfigurationDocument is one document of the configuration, at its newest version.
type ConfigurationDocument struct {
	Document string `json:"document" jsonschema_description:"rules, channels, products, or layout/SITE."`
	VersionView
}

// ConfigurationList lists the documents that make up the configuration, as of one moment.
type ConfigurationList struct {
	Documents []ConfigurationDocument `json:"documents"`
}

// ConfigurationText is a document as it should be.
type ConfigurationText struct {
	Document  string `json:"document" jsonschema_description:"rules, channels, products, or layout/SITE."`
	MediaType string `json:"media_type,omitempty" jsonschema:"enum=text/csv,enum=application/json" jsonschema_description:"Of products: text/csv, which is the default, or application/json."`
	Text      string `json:"text" jsonschema_description:"The whole document, as its own route takes it. A mask in channels keeps what it stands for."`
}

// ConfigurationRequest is a set of documents that belong together. Documents that it does not have
// stay as they are.
type ConfigurationRequest struct {
	Documents []ConfigurationText `json:"documents"`
}

// What becomes of a document.
const (
	changeNew       = "new"
	changeChanged   = "changed"
	changeUnchanged = "unchanged"
	changeKept      = "kept"
	changeInvalid   = "invalid"
)

// PlannedDocument is what applying would make of one document, or made of it.
type PlannedDocument struct {
	Document    string           `json:"document"`
	Change      string           `json:"change" jsonschema:"enum=new,enum=changed,enum=unchanged,enum=kept,enum=invalid" jsonschema_description:"kept: it is on the server and was not sent, so it stays as it is. invalid: the server's too, where it would not fit the rest any more."`
	Version     int              `json:"version" jsonschema_description:"The newest version: before a plan is carried out 0 for a new document, afterwards the one that was stored."`
	Changes     *Changes         `json:"changes,omitempty"`
	Diagnostics []doc.Diagnostic `json:"diagnostics,omitempty" jsonschema_description:"Errors and warnings, those of rules against everything as it would be."`
	Warnings    []string         `json:"warnings,omitempty"`
}

// ConfigurationPlan is what applying would do. Its ETag is that of the configuration that it was
// made for.
type ConfigurationPlan struct {
	OK        bool              `json:"ok" jsonschema_description:"Whether it could be applied: no document is invalid."`
	ToStore   int               `json:"to_store" jsonschema_description:"Documents that are new or changed."`
	Documents []PlannedDocument `json:"documents"`
}

// ConfigurationApplied is what was stored, all of it in one step.
type ConfigurationApplied struct {
	Stored    int               `json:"stored" jsonschema_description:"Documents that got a new version; 0 if everything was as it should be."`
	At        *time.Time        `json:"at,omitempty"`
	By        string            `json:"by"`
	Note      string            `json:"note,omitempty"`
	InEffect  bool              `json:"in_effect" jsonschema_description:"Whether every site that is concerned goes by it already; otherwise they will in a moment."`
	Documents []PlannedDocument `json:"documents"`
}

// isConfiguration reports whether a document of the store is part of the configuration: keys are
// not.
func isConfiguration(name string) bool {
	return name == engine.RulesDocument || name == engine.ProductsDocument || name == ChannelsDocument ||
		strings.HasPrefix(name, engine.LayoutDocument(""))
}

// snapshot is which versions the documents of the configuration have at one moment.
type snapshot map[string]store.Document // by name, without bodies

func (b *backend) snapshot(ctx context.Context) (snapshot, error) {
	docs, err := b.store.ListDocuments(ctx, "")
	if err != nil {
		return nil, unavailable(err)
	}
	s := make(snapshot)
	for _, d := range docs {
		if isConfiguration(d.Name) {
			s[d.Name] = d
		}
	}
	return s, nil
}

// etag stands for all versions together.
func (s snapshot) etag() string {
	h := sha256.New()
	for _, name := range slices.Sorted(maps.Keys(s)) {
		fmt.Fprintf(h, "%s %d\n", name, s[name].Version)
	}
	return `"` + hex.EncodeToString(h.Sum(nil)[:12]) + `"`
}

// tagged reports whether a list of entity tags has the one that stands for all versions together,
// or is "*". Weak ones never match (RFC 9110, section 13.1.1).
func (s snapshot) tagged(list string) bool {
	own := s.etag()
	return kit.Listed(list, func(tag string) bool { return tag == own })
}

// versionOf reads one version of a document.
func (b *backend) versionOf(ctx context.Context, name string, version int) (store.Document, error) {
	d, err := b.store.GetDocument(ctx, name, version)
	if errors.Is(err, store.ErrNotFound) {
		return d, kit.Problemf(codeUnknownDocument, "There is no version %d of the document %q.", version, name)
	}
	return d, unavailable(err)
}

func (h configurationRoutes) getConfiguration(c *kit.Call) error {
	s, err := h.snapshot(c.Ctx())
	if err != nil {
		return err
	}
	list := ConfigurationList{Documents: []ConfigurationDocument{}}
	for _, name := range slices.Sorted(maps.Keys(s)) {
		if site, ok := strings.CutPrefix(name, engine.LayoutDocument("")); ok && !c.Key.ForSite(site) {
			continue
		}
		list.Documents = append(list.Documents, ConfigurationDocument{Document: name, VersionView: versionView(s[name])})
	}
	c.Response().Header().Set("ETag", s.etag())
	return c.JSON(http.StatusOK, list)
}

// wantedBody reads the documents that a request wants.
func (h configurationRoutes) wantedBody(c *kit.Call) ([]wanted, error) {
	var req ConfigurationRequest
	if err := c.DecodeJSONUpTo(c.BodyLimit(), &req); err != nil {
		return nil, err
	}
	if len(req.Documents) == 0 {
		return nil, kit.Problemf(kit.CodeInvalidBody, "There are no documents.")
	}
	if len(req.Documents) > store.MaxPuts/2 {
		return nil, kit.Problemf(kit.CodeInvalidBody, "There are %d documents, at most %d can be applied at once.",
			len(req.Documents), store.MaxPuts/2)
	}
	list := make([]wanted, len(req.Documents))
	seen := make(map[string]bool)
	for i, d := range req.Documents {
		site, isLayout := strings.CutPrefix(d.Document, engine.LayoutDocument(""))
		switch {
		case !isConfiguration(d.Document), isLayout && !kit.ValidSite(site):
			return nil, kit.Problemf(kit.CodeInvalidBody, "There is no document %s; there are rules, channels, "+
				"products, and layout/SITE.", kit.Shown([]byte(d.Document)))
		case seen[d.Document]:
			return nil, kit.Problemf(kit.CodeInvalidBody, "The document %q is there twice.", d.Document)
		case d.MediaType != "" && d.Document != engine.ProductsDocument, d.MediaType != "" && d.MediaType != mediaCSV &&
			d.MediaType != kit.MediaJSON:
			return nil, kit.Problemf(kit.CodeInvalidBody, "The document %q can't have the media type %s: only "+
				"products have one, text/csv or application/json.", d.Document, kit.Shown([]byte(d.MediaType)))
		}
		seen[d.Document] = true
		list[i] = wanted{name: d.Document, text: []byte(d.Text), media: d.MediaType}
	}
	slices.SortFunc(list, func(a, b wanted) int { return strings.Compare(a.name, b.name) })
	return list, nil
}

func (h configurationRoutes) planConfiguration(c *kit.Call) error {
	list, err := h.wantedBody(c)
	if err != nil {
		return err
	}
	p, err := h.plan(c, list)
	if err != nil {
		return err
	}
	c.Response().Header().Set("ETag", p.at.etag())
	return c.JSON(http.StatusOK, ConfigurationPlan{OK: p.ok(), ToStore: len(p.store), Documents: p.documents})
}

// applyTries is how often something is done anew because somebody else was quicker, where the
// caller does not say which version it was meant for.
const applyTries = 10

func (h configurationRoutes) applyConfiguration(c *kit.Call) error {
	note, err := noteParam(c)
	if err != nil {
		return err
	}
	list, err := h.wantedBody(c)
	if err != nil {
		return err
	}
	match := c.Request().Header.Get("If-Match")
	for try := 0; ; try++ {
		p, err := h.plan(c, list)
		if err != nil {
			return err
		}
		if match != "" && !p.at.tagged(match) {
			return stalePlan()
		}
		if !p.ok() {
			return p.invalid("The configuration has errors. Nothing was stored.")
		}
		for _, r := range p.removals {
			if err := removes(c, r.what, r.removed, r.before); err != nil {
				return err
			}
		}
		done, err := h.storePlan(c, p, note)
		switch {
		case errors.Is(err, store.ErrConflict) && match != "":
			return stalePlan()
		case errors.Is(err, store.ErrConflict) && try < applyTries:
			continue
		case errors.Is(err, store.ErrConflict):
			return conflict(-1)
		case err != nil:
			return err
		}
		after, err := h.snapshot(c.Ctx())
		if err == nil {
			c.Response().Header().Set("ETag", after.etag())
		}
		return c.JSON(http.StatusOK, ConfigurationApplied{
			Stored: len(p.store), At: done.at, By: c.Key.Name, Note: note, InEffect: done.inEffect, Documents: p.documents,
		})
	}
}

func stalePlan() error {
	return kit.Problemf(kit.CodeVersionMismatch, "The configuration changed since the plan was made. Nothing was "+
		"stored. Make the plan again.")
}

// carried is what carrying out a plan came to.
type carried struct {
	at       *time.Time
	inEffect bool
}

// storePlan stores what the plan has to store, in one step, if everything that it was checked
// against is still there; else store.ErrConflict. The plan's documents then say the new versions.
func (h documents) storePlan(c *kit.Call, p *plan, note string) (carried, error) {
	if len(p.store) == 0 {
		return carried{inEffect: true}, nil
	}
	ctx := c.Ctx()
	puts := make([]store.DocumentPut, 0, len(p.at)+len(p.store))
	for name, body := range p.store {
		puts = append(puts, store.DocumentPut{Document: store.Document{Name: name, By: c.Key.Name, Note: note,
			Body: body}, Expect: p.at[name].Version})
	}
	for name, d := range p.at {
		if _, ok := p.store[name]; !ok {
			puts = append(puts, store.DocumentPut{Document: store.Document{Name: name}, Expect: d.Version, Keep: true})
		}
	}
	slices.SortFunc(puts, func(a, b store.DocumentPut) int { return strings.Compare(a.Document.Name, b.Document.Name) })
	size := 0
	for i := range puts {
		size += len(puts[i].Document.Body)
		if len(puts[i].Document.Body) > store.MaxValue || size > store.MaxPutBytes {
			return carried{}, kit.Problemf(kit.CodeBodyTooLarge, "The documents take more bytes than can be "+
				"stored: one at most %d, all at most %d.", store.MaxValue, store.MaxPutBytes).With("limit", store.MaxPutBytes)
		}
	}
	err := h.runner.SaveDocuments(ctx, puts, c.Key.Name)
	told := !errors.Is(err, runner.ErrNotTold)
	switch {
	case !told:
		h.log.Error("documents were stored, but not every site could be notified", "err", err)
	case errors.Is(err, store.ErrConflict):
		return carried{}, err
	case err != nil:
		return carried{}, unavailable(err)
	}
	at := puts[0].Document.At
	var pins []event.Pin
	for i := range puts {
		put := &puts[i]
		if put.Keep {
			continue
		}
		at = put.Document.At
		for k := range p.documents {
			if p.documents[k].Document == put.Document.Name {
				p.documents[k].Version = put.Expect + 1
			}
		}
		if put.Document.Name == ChannelsDocument {
			told = h.refreshChannels(ctx) && told
		} else {
			pins = append(pins, event.Pin{Doc: put.Document.Name, Version: put.Expect + 1})
		}
	}
	return carried{at: &at, inEffect: told && h.settleAll(ctx, pins)}, nil
}

// settleAll is settle for several documents, in the time of one.
func (b *backend) settleAll(ctx context.Context, pins []event.Pin) bool {
	ctx, cancel := context.WithTimeout(ctx, b.opt.TakeUp)
	defer cancel()
	for _, pin := range pins {
		if !b.settle(ctx, pin) {
			return false
		}
	}
	return true
}
