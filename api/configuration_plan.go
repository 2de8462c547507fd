package api

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/deliver"
	"lintel/engine/layout"
	"lintel/rules"
	"lintel/rules/doc"
)

// wanted is a document as it should become.
type wanted struct {
	name   string
	text   []byte
	media  string // of products as text
	stored bool   // the text is a body as the store has it: a version from before
}

// plan is what storing documents together would do. Everything is checked as it would be
// afterwards: rules against the layouts, channels and products that come with them.
type plan struct {
	at        snapshot // what it was made for
	documents []PlannedDocument
	store     map[string][]byte // bodies by name
	removals  []removal         // of more than half of what there is
}

// removal is what a document takes away of what there is.
type removal struct {
	what            string
	removed, before int
}

// noteRemoval warns of a document that takes away more than half of what there is.
func (p *planner) noteRemoval(d *PlannedDocument, what string, removed, before int) {
	if d.Change == changeChanged && 2*removed > before {
		p.plan.removals = append(p.plan.removals, removal{what, removed, before})
		d.Warnings = append(d.Warnings, removalWarning(what, removed, before))
	}
}

// planner makes a plan. It holds everything as it would be.
type planner struct {
	documents
	ctx  context.Context
	plan *plan

	layouts  map[string]*layout.Layout // by document
	channels []deliver.Channel
	products *catalog.Catalog // nil: not among what is wanted, or invalid

	layoutsBad, channelsBad bool // some of them are invalid, so that what names them can't be judged
}

// plannedProducts is how many products that differ a plan lists.
const plannedProducts = 20

// plan makes a plan for documents, which must be in the order of their names. It reads which
// versions there are before it reads any document, so that what is newer than these is found out
// when the plan is carried out.
func (h documents) plan(c *kit.Call, list []wanted) (p *plan, err error) {
	err = c.Parse(func() error { p, err = h.planNow(c.Ctx(), list); return err })
	return p, err
}

func (h documents) planNow(ctx context.Context, list []wanted) (*plan, error) {
	at, err := h.snapshot(ctx)
	if err != nil {
		return nil, err
	}
	p := &planner{documents: h, ctx: ctx, plan: &plan{at: at, documents: []PlannedDocument{},
		store: make(map[string][]byte)}, layouts: make(map[string]*layout.Layout)}
	if err := p.present(); err != nil {
		return nil, err
	}
	var later *wanted // rules come last: they name what the others have
	for i := range list {
		w := &list[i]
		d := PlannedDocument{Document: w.name, Version: at[w.name].Version}
		switch {
		case w.name == engine.RulesDocument:
			later = w
			continue
		case w.name == ChannelsDocument:
			err = p.planChannels(w, &d)
		case w.name == engine.ProductsDocument:
			err = p.planProducts(w, &d)
		default:
			err = p.planLayout(w, &d)
		}
		if err != nil {
			return nil, err
		}
		p.plan.documents = append(p.plan.documents, d)
	}
	for i := range p.plan.documents {
		if d := &p.plan.documents[i]; d.Document == engine.ProductsDocument && d.Change != changeInvalid && !p.layoutsBad {
			d.Warnings = append(unknownZones(p.products, p.allLayouts()), d.Warnings...)
		}
	}
	if err := p.planRules(later); err != nil {
		return nil, err
	}
	for name, d := range at {
		if name != engine.RulesDocument && !slices.ContainsFunc(list, func(w wanted) bool { return w.name == name }) {
			p.plan.documents = append(p.plan.documents, PlannedDocument{Document: name, Change: changeKept, Version: d.Version})
		}
	}
	slices.SortFunc(p.plan.documents, func(a, b PlannedDocument) int { return strings.Compare(a.Document, b.Document) })
	return p.plan, nil
}

func (p *plan) ok() bool {
	return !slices.ContainsFunc(p.documents, func(d PlannedDocument) bool { return d.Change == changeInvalid })
}

// invalid is the problem of a plan that can't be carried out.
func (p *plan) invalid(detail string) error {
	bad := []PlannedDocument{}
	for _, d := range p.documents {
		if d.Change == changeInvalid {
			bad = append(bad, d)
		}
	}
	return kit.Problemf(kit.CodeInvalidDocument, "%s", detail).With("documents", bad)
}

// present reads layouts and channels as they are.
func (p *planner) present() error {
	layouts, err := p.documents.allLayouts(p.ctx)
	if err != nil {
		return err
	}
	for _, l := range layouts {
		p.layouts[engine.LayoutDocument(l.Site)] = l
	}
	p.channels, err = p.documents.channels(p.ctx)
	return err
}

func (p *planner) allLayouts() []*layout.Layout {
	list := make([]*layout.Layout, 0, len(p.layouts))
	for _, name := range slices.Sorted(maps.Keys(p.layouts)) {
		list = append(list, p.layouts[name])
	}
	return list
}

// before returns the stored body of a document that the plan may replace; nil if there is none.
func (p *planner) before(name string) ([]byte, error) {
	version := p.plan.at[name].Version
	if version == 0 {
		return nil, nil
	}
	d, err := p.versionOf(p.ctx, name, version)
	return d.Body, err
}

// names are what the two sides of a diff are called.
func (p *planner) names(name string) (from, to string) {
	return fmt.Sprintf("%s@%d", name, p.plan.at[name].Version), name
}

// decide fills in what becomes of a good document.
func (p *planner) decide(d *PlannedDocument, same bool, body []byte, changes func() Changes) {
	switch {
	case d.Version == 0:
		d.Change = changeNew
	case same:
		d.Change = changeUnchanged
		return
	default:
		d.Change = changeChanged
	}
	p.plan.store[d.Document] = body
	c := changes()
	d.Changes = &c
}

func (p *planner) planLayout(w *wanted, d *PlannedDocument) error {
	site := strings.TrimPrefix(w.name, engine.LayoutDocument(""))
	lay, err := layout.Parse(w.text)
	switch {
	case err != nil:
		d.Change, d.Diagnostics = changeInvalid, diagnosticsOf(err)
	case lay.Site != site:
		d.Change, d.Diagnostics = changeInvalid, []doc.Diagnostic{{Severity: doc.SeverityError, Path: "site",
			Reason: fmt.Sprintf("is %q, but the document is %s", lay.Site, w.name), Hint: "write \"" + site + "\""}}
	}
	if d.Change == changeInvalid {
		p.layoutsBad = true
		delete(p.layouts, w.name)
		return nil
	}
	before, err := p.before(w.name)
	if err != nil {
		return err
	}
	p.layouts[w.name] = lay
	from, to := p.names(w.name)
	p.decide(d, bytes.Equal(before, w.text), w.text, func() Changes { return changesOfLayout(from, before, to, w.text, shortText) })
	for _, f := range p.layoutWarnings(p.ctx, lay) {
		d.Warnings = append(d.Warnings, f.Summary())
	}
	return nil
}

// diagnosticsOf returns what is wrong with a document. No other error is shown, since its text may
// quote a secret.
func diagnosticsOf(err error) []doc.Diagnostic {
	var problems doc.Errors
	if errors.As(err, &problems) {
		return problems
	}
	return []doc.Diagnostic{{Severity: doc.SeverityError, Reason: "the document can't be read"}}
}

func (p *planner) planChannels(w *wanted, d *PlannedDocument) error {
	previous := p.channels
	channels, err := deliver.ParseChannelsKeeping(w.text, previous)
	if err != nil {
		d.Change, d.Diagnostics = changeInvalid, diagnosticsOf(err)
		p.channels, p.channelsBad = nil, true
		return nil
	}
	body, err := deliver.EncodeChannels(channels)
	if err != nil {
		return errors.New("the channels can't be encoded") // the reason may quote them
	}
	before, err := deliver.EncodeChannels(previous)
	if err != nil {
		return errors.New("the stored channels can't be encoded")
	}
	p.channels = channels
	from, to := p.names(w.name)
	p.decide(d, bytes.Equal(before, body), body, func() Changes { return changesOfChannels(from, previous, to, channels, shortText) })
	if d.Change != changeUnchanged {
		d.Warnings = append(d.Warnings, p.channelWarnings(channels)...)
	}
	if w.stored && d.Change == changeChanged {
		d.Warnings = append(d.Warnings, "secrets, headers and addresses are again those of the old version; if one "+
			"of them was replaced because others knew it, replace it again")
	}
	return nil
}

func (p *planner) planProducts(w *wanted, d *PlannedDocument) error {
	var products *catalog.Catalog
	var err error
	switch {
	case w.stored:
		if products, err = catalog.ParseBinary(w.text); err != nil {
			return fmt.Errorf("products: %w", err)
		}
	case w.media == kit.MediaJSON:
		products, d.Diagnostics = catalog.ParseJSON(w.text)
	default:
		products, d.Diagnostics = catalog.ParseCSV(bytes.NewReader(w.text), catalog.CSVOptions{})
	}
	if len(d.Diagnostics) > 0 {
		d.Change = changeInvalid
		return nil
	}
	p.products = products
	stored, err := p.before(w.name)
	if err != nil {
		return err
	}
	before := &catalog.Catalog{}
	if stored != nil {
		if before, err = catalog.ParseBinary(stored); err != nil {
			return fmt.Errorf("products version %d: %w", d.Version, err)
		}
	}
	body, err := products.AppendBinary(nil)
	if err != nil {
		return err
	}
	changes := changesOfProducts(before, products, plannedProducts)
	p.decide(d, changes.Products.none(), body, func() Changes { return changes })
	p.noteRemoval(d, "products", changes.Products.Removed, before.Len())
	return nil
}

// planRules checks the rules that are wanted, or those that are there, against everything else as
// it would be.
func (p *planner) planRules(w *wanted) error {
	d := PlannedDocument{Document: engine.RulesDocument, Version: p.plan.at[engine.RulesDocument].Version}
	if w == nil && d.Version == 0 {
		return nil
	}
	before, err := p.before(d.Document)
	if err != nil {
		return err
	}
	text := before
	if w != nil {
		text = w.text
	}
	known := knownOf(p.allLayouts(), p.channels)
	// What has errors itself is said there; that rules name what it was to bring is no news.
	if p.layoutsBad {
		known.Zones, known.ZoneKinds, known.Readers = nil, nil, nil
	}
	if p.channelsBad {
		known.Channels = nil
	}
	switch {
	case p.products != nil:
		known.Categories, known.Attributes = namesOf(p.products)
	case !slices.ContainsFunc(p.plan.documents, func(d PlannedDocument) bool { return d.Document == engine.ProductsDocument }):
		if known.Categories, known.Attributes, err = p.productNames(p.ctx); err != nil {
			return err
		}
	}
	set, found := rules.Check(engine.RulesDocument, text, known)
	d.Diagnostics = found
	from, to := p.names(d.Document)
	switch {
	case set == nil:
		d.Change = changeInvalid
	case w == nil:
		d.Change = changeKept
	default:
		p.decide(&d, bytes.Equal(before, text), text, func() Changes { return changesOfText(from, before, to, text, shortText) })
		stored, err := p.documents.storedRules(p.ctx)
		if err != nil {
			return err
		}
		p.noteRemoval(&d, "rules", rulesRemoved(stored, set), len(stored))
	}
	p.plan.documents = append(p.plan.documents, d)
	return nil
}
