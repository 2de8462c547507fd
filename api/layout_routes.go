package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/layout"
	"lintel/rules/doc"
)

// layoutRoutes are the routes about layouts.
type layoutRoutes struct{ documents }

func (h layoutRoutes) table() []kit.Route {
	return append([]kit.Route{
		{
			Method: "GET", Path: "/v1/sites/{site}/layout", Name: "getLayout", Group: "Documents", Summary: "Get a site's layout",
			Scopes: places, Params: []kit.Param{paramVersion, ifNoneMatch},
			Answers: []kit.Answer{kit.OK("The layout, as it was stored.", layoutDocument{}), notChanged}, Headers: withVersion,
			Codes: []kit.Code{codeUnknownDocument}, Handle: h.getLayout,
		}, {
			Method: "PUT", Path: "/v1/sites/{site}/layout", Name: "putLayout", Group: "Documents",
			Summary: "Store a site's layout; the first one makes the site",
			About:   "What a door or reader cannot give, as the layout has it, is answered as warnings.",
			Scopes:  author, Params: []kit.Param{paramDryRun, paramNote, ifMatch, ifNoneMatch}, Body: kit.JSON(layoutDocument{}),
			Answers: savedAnswers(LayoutSaved{}, LayoutDryRun{}), Headers: withETag, Codes: savedCodes, Handle: h.putLayout,
		},
	}, h.versioned("/v1/sites/{site}/layout", "layout", "layout",
		func(c *kit.Call) string { return engine.LayoutDocument(c.Site) }, diffLayout)...)
}

func (h layoutRoutes) getLayout(c *kit.Call) error {
	d, done, err := h.document(c, engine.LayoutDocument(c.Site))
	if codeOf(err) == codeUnknownDocument && c.QueryParam("version") == "" {
		return kit.Problemf(kit.CodeUnknownSite, "There is no such site: a site begins with its layout.")
	}
	if err != nil || done {
		return err
	}
	return c.Blob(http.StatusOK, kit.MediaJSON, d.Body)
}

func codeOf(err error) kit.Code {
	var p *kit.Problem
	if errors.As(err, &p) {
		return p.Code
	}
	return kit.Code{}
}

func (h layoutRoutes) putLayout(c *kit.Call) error {
	if _, err := c.WantType(kit.MediaJSON); err != nil {
		return err
	}
	name := engine.LayoutDocument(c.Site)
	expect, err := h.expectation(c, name)
	if err != nil {
		return err
	}
	body, err := c.ReadBody(min(h.opt.BodyLimit, layout.MaxBytes))
	if err != nil {
		return err
	}
	defer body.Release()
	var lay *layout.Layout
	if err := c.Parse(func() (err error) { lay, err = layout.Parse(body.B); return err }); err != nil {
		if p := busy(err); p != nil {
			return p
		}
		problems := diagnosticsOf(err)
		return kit.Problemf(kit.CodeInvalidDocument, "The layout has %d problems. Nothing was stored.",
			doc.Errors(problems).Count()).With("errors", problems)
	}
	if lay.Site != c.Site {
		return kit.Problemf(kit.CodeInvalidDocument,
			"The layout is of the site %q, the path names %q. Nothing was stored.", lay.Site, c.Site).With("errors", []doc.Diagnostic{{
			Severity: doc.SeverityError, Path: "site", Reason: "is not the site of the path", Hint: "write \"" + c.Site + "\"",
		}})
	}
	dry := c.Flag("dry_run")
	if dry {
		return c.JSON(http.StatusOK, LayoutDryRun{OK: true, Warnings: h.layoutWarnings(c.Ctx(), lay)})
	}
	return h.saveLayout(c, lay, append([]byte(nil), body.B...), expect)
}

// saveLayout stores the next version of the site's layout, and answers.
func (h layoutRoutes) saveLayout(c *kit.Call, lay *layout.Layout, body []byte, expect int) error {
	warnings := h.layoutWarnings(c.Ctx(), lay)
	saved, err := h.save(c, engine.LayoutDocument(c.Site), body, expect)
	if err != nil {
		return err
	}
	return answerSaved(c, saved, LayoutSaved{Saved: saved, Warnings: warnings})
}

// layoutWarnings lists where a door or reader of a layout cannot give what rules at it ask for, and
// which zones that hold items it does not have.
func (b *backend) layoutWarnings(ctx context.Context, lay *layout.Layout) []doc.Diagnostic {
	list := append([]doc.Diagnostic{}, lay.Warnings()...)
	site, err := b.runner.Site(ctx, lay.Site)
	if err != nil { // a new site has no items
		return list
	}
	ctx, cancel := context.WithTimeout(ctx, time.Second)
	defer cancel()
	_ = site.View(ctx, func(st *engine.State) error { // a site that is not loaded can't tell
		for _, z := range engine.StrandedBy(st, lay) {
			list = append(list, doc.Diagnostic{
				Severity: doc.SeverityWarning, Path: "zones",
				Reason: fmt.Sprintf("has no zone %q, which holds %s: they can't be listed or counted there any more", z.Zone,
					doc.Plural(z.Items, "item")),
				Hint: "move them first, or write the zone's id as it was; a zone is renamed by its name",
			})
		}
		return nil
	})
	return list
}

// LayoutSaved is the answer to storing a layout.
type LayoutSaved struct {
	Saved
	Warnings []doc.Diagnostic `json:"warnings" jsonschema_description:"Where a door or reader cannot give what rules at it ask for, and zones with items that it does not have. It was stored all the same."`
}

// LayoutDryRun is the answer to a layout that was checked and not stored.
type LayoutDryRun struct {
	OK       bool             `json:"ok"`
	Warnings []doc.Diagnostic `json:"warnings" jsonschema_description:"Where a door or reader cannot give what rules at it ask for, and zones with items that it does not have."`
}

// DryRun is the answer to a document that was checked and not stored.
type DryRun struct {
	OK       bool         `json:"ok"`
	Products *ProductDiff `json:"products,omitempty"`
	Warnings []string     `json:"warnings,omitempty"`
}
