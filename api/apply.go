package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/rules/doc"
)

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

// ConfigurationRequest is a set of documents that belong together. Documents that it does not have stay as they are.
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

// ConfigurationPlan is what applying would do. Its ETag is that of the configuration that it was made for.
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

// isConfiguration reports whether a document of the store is part of the configuration: keys are not.
func isConfiguration(name string) bool {
	return name == engine.RulesDocument || name == engine.ProductsDocument || name == ChannelsDocument || strings.HasPrefix(name, engine.LayoutDocument(""))
}

// snapshot is which versions the documents of the configuration have at one moment.
type snapshot map[string]store.Document // by name, without bodies

func (a *API) snapshot(ctx context.Context) (snapshot, error) {
	docs, err := a.store.ListDocuments(ctx, "")
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

func (s snapshot) names() []string {
	names := make([]string, 0, len(s))
	for name := range s {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// etag stands for all versions together.
func (s snapshot) etag() string {
	h := sha256.New()
	for _, name := range s.names() {
		fmt.Fprintf(h, "%s %d\n", name, s[name].Version)
	}
	return `"` + hex.EncodeToString(h.Sum(nil)[:12]) + `"`
}

// tagged reports whether a list of entity tags has the one that stands for all versions together, or is "*". Weak ones never match (RFC 9110, section 13.1.1).
func (s snapshot) tagged(list string) bool {
	own := s.etag()
	return listed(list, func(tag string) bool { return tag == own })
}

// versionOf reads one version of a document.
func (a *API) versionOf(ctx context.Context, name string, version int) (store.Document, error) {
	d, err := a.store.GetDocument(ctx, name, version)
	if errors.Is(err, store.ErrNotFound) {
		return d, problemf(codeUnknownDocument, "There is no version %d of the document %q.", version, name)
	}
	return d, unavailable(err)
}

func (c *call) getConfiguration() error {
	s, err := c.api.snapshot(c.Request().Context())
	if err != nil {
		return err
	}
	list := ConfigurationList{Documents: []ConfigurationDocument{}}
	for _, name := range s.names() {
		if site, ok := strings.CutPrefix(name, engine.LayoutDocument("")); ok && !c.key.forSite(site) {
			continue
		}
		list.Documents = append(list.Documents, ConfigurationDocument{Document: name, VersionView: versionView(s[name])})
	}
	c.Response().Header().Set("ETag", s.etag())
	return c.JSON(http.StatusOK, list)
}

// wantedBody reads the documents that a request wants.
func (c *call) wantedBody() ([]wanted, error) {
	if _, err := c.wantType(mediaJSON); err != nil {
		return nil, err
	}
	body, err := c.readBody(c.api.limitOf(c.route))
	if err != nil {
		return nil, err
	}
	defer body.release()
	text, err := checkText(body.b)
	if err != nil {
		return nil, err
	}
	var req ConfigurationRequest
	if err := decodeStrict(text, &req); err != nil {
		return nil, err
	}
	if len(req.Documents) == 0 {
		return nil, problemf(codeInvalidBody, "There are no documents.")
	}
	if len(req.Documents) > store.MaxPuts/2 {
		return nil, problemf(codeInvalidBody, "There are %d documents, at most %d can be applied at once.", len(req.Documents), store.MaxPuts/2)
	}
	list := make([]wanted, len(req.Documents))
	seen := make(map[string]bool)
	for i, d := range req.Documents {
		site, isLayout := strings.CutPrefix(d.Document, engine.LayoutDocument(""))
		switch {
		case !isConfiguration(d.Document), isLayout && !validSite(site):
			return nil, problemf(codeInvalidBody, "There is no document %s; there are rules, channels, products, and layout/SITE.", shown([]byte(d.Document)))
		case seen[d.Document]:
			return nil, problemf(codeInvalidBody, "The document %q is there twice.", d.Document)
		case d.MediaType != "" && d.Document != engine.ProductsDocument, d.MediaType != "" && d.MediaType != mediaCSV && d.MediaType != mediaJSON:
			return nil, problemf(codeInvalidBody, "The document %q can't have the media type %s: only products have one, text/csv or application/json.", d.Document, shown([]byte(d.MediaType)))
		}
		seen[d.Document] = true
		list[i] = wanted{name: d.Document, text: []byte(d.Text), media: d.MediaType}
	}
	slices.SortFunc(list, func(a, b wanted) int { return strings.Compare(a.name, b.name) })
	return list, nil
}

func (c *call) planConfiguration() error {
	list, err := c.wantedBody()
	if err != nil {
		return err
	}
	p, err := c.plan(list)
	if err != nil {
		return err
	}
	c.Response().Header().Set("ETag", p.at.etag())
	return c.JSON(http.StatusOK, ConfigurationPlan{OK: p.ok(), ToStore: len(p.store), Documents: p.documents})
}

// applyTries is how often something is done anew because somebody else was quicker, where the caller does not say which version it was meant for.
const applyTries = 10

func (c *call) applyConfiguration() error {
	note, err := c.noteParam()
	if err != nil {
		return err
	}
	list, err := c.wantedBody()
	if err != nil {
		return err
	}
	match := c.Request().Header.Get("If-Match")
	for try := 0; ; try++ {
		p, err := c.plan(list)
		if err != nil {
			return err
		}
		if match != "" && !p.at.tagged(match) {
			return stalePlan()
		}
		if !p.ok() {
			return p.invalid("The configuration has errors. Nothing was stored.")
		}
		done, err := c.storePlan(p, note)
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
		after, err := c.api.snapshot(c.Request().Context())
		if err == nil {
			c.Response().Header().Set("ETag", after.etag())
		}
		return c.JSON(http.StatusOK, ConfigurationApplied{
			Stored: len(p.store), At: done.at, By: c.key.Name, Note: note, InEffect: done.inEffect, Documents: p.documents,
		})
	}
}

func stalePlan() error {
	return problemf(codeVersionMismatch, "The configuration changed since the plan was made. Nothing was stored. Make the plan again.")
}

// carried is what carrying out a plan came to.
type carried struct {
	at       *time.Time
	inEffect bool
}

// storePlan stores what the plan has to store, in one step, if everything that it was checked against is still there; else store.ErrConflict. The
// plan's documents then say the new versions.
func (c *call) storePlan(p *plan, note string) (carried, error) {
	if len(p.store) == 0 {
		return carried{inEffect: true}, nil
	}
	ctx := c.Request().Context()
	puts := make([]store.DocumentPut, 0, len(p.at)+len(p.store))
	for name, body := range p.store {
		puts = append(puts, store.DocumentPut{Document: store.Document{Name: name, By: c.key.Name, Note: note, Body: body}, Expect: p.at[name].Version})
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
			return carried{}, problemf(codeBodyTooLarge, "The documents take more bytes than can be stored: one at most %d, all at most %d.", store.MaxValue, store.MaxPutBytes).with("limit", store.MaxPutBytes)
		}
	}
	err := c.api.runner.SaveDocuments(ctx, puts, c.key.Name)
	told := !errors.Is(err, runner.ErrNotTold)
	switch {
	case !told:
		c.api.log.Error("documents were stored, but not every site could be told", "err", err)
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
		if put.Document.Name != ChannelsDocument {
			pins = append(pins, event.Pin{Doc: put.Document.Name, Version: put.Expect + 1})
		}
	}
	return carried{at: &at, inEffect: told && c.api.settleAll(ctx, pins)}, nil
}

// settleAll is settle for several documents, in the time of one.
func (a *API) settleAll(ctx context.Context, pins []event.Pin) bool {
	ctx, cancel := context.WithTimeout(ctx, a.opt.TakeUp)
	defer cancel()
	for _, pin := range pins {
		if !a.settle(ctx, pin) {
			return false
		}
	}
	return true
}
