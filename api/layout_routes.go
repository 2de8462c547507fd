package api

import (
	"errors"
	"net/http"

	"lintel/engine"
	"lintel/engine/layout"
	"lintel/rules/doc"
)

func (c *call) getLayout() error {
	d, done, err := c.document(engine.LayoutDocument(c.site))
	if asProblemCode(err) == codeUnknownDocument && c.QueryParam("version") == "" {
		return problemf(codeUnknownSite, "There is no such site: a site begins with its layout.")
	}
	if err != nil || done {
		return err
	}
	return c.Blob(http.StatusOK, mediaJSON, d.Body)
}

func asProblemCode(err error) Code {
	var p *Problem
	if errors.As(err, &p) {
		return p.code
	}
	return ""
}

func (c *call) putLayout() error {
	if _, err := c.wantType(mediaJSON); err != nil {
		return err
	}
	name := engine.LayoutDocument(c.site)
	expect, err := c.expectation(name)
	if err != nil {
		return err
	}
	body, err := c.readBody(min(c.api.opt.BodyLimit, layout.MaxBytes))
	if err != nil {
		return err
	}
	defer body.release()
	lay, err := layout.Parse(body.b)
	if err != nil {
		problems := diagnosticsOf(err)
		return problemf(codeInvalidDocument, "The layout has %d problems. Nothing was stored.", doc.Errors(problems).Count()).with("errors", problems)
	}
	if lay.Site != c.site {
		return problemf(codeInvalidDocument, "The layout is of the site %q, the path names %q. Nothing was stored.", lay.Site, c.site).with("errors", []doc.Diagnostic{{
			Severity: doc.SeverityError, Path: "site", Reason: "is not the site of the path", Hint: "write \"" + c.site + "\"",
		}})
	}
	dry, err := c.flag("dry_run")
	if err != nil {
		return err
	}
	if dry {
		return c.JSON(http.StatusOK, LayoutDryRun{OK: true, Warnings: warningsOf(lay)})
	}
	return c.saveLayout(lay, append([]byte(nil), body.b...), expect)
}

// saveLayout stores the next version of the site's layout, and answers.
func (c *call) saveLayout(lay *layout.Layout, body []byte, expect int) error {
	saved, err := c.save(engine.LayoutDocument(c.site), body, expect)
	if err != nil {
		return err
	}
	return c.answerSaved(saved.Version, LayoutSaved{Saved: saved, Warnings: warningsOf(lay)})
}

// warningsOf lists where a door or reader of the layout cannot give what rules at it ask for.
func warningsOf(lay *layout.Layout) []doc.Diagnostic {
	return append([]doc.Diagnostic{}, lay.Warnings()...)
}

// LayoutSaved is the answer to storing a layout.
type LayoutSaved struct {
	Saved
	Warnings []doc.Diagnostic `json:"warnings" jsonschema_description:"Where a door or reader cannot give what rules at it ask for. It was stored all the same."`
}

// LayoutDryRun is the answer to a layout that was checked and not stored.
type LayoutDryRun struct {
	OK       bool             `json:"ok"`
	Warnings []doc.Diagnostic `json:"warnings" jsonschema_description:"Where a door or reader cannot give what rules at it ask for."`
}

func (c *call) layoutVersions() error { return c.versions(engine.LayoutDocument(c.site)) }

// DryRun is the answer to a document that was checked and not stored.
type DryRun struct {
	OK       bool         `json:"ok"`
	Products *ProductDiff `json:"products,omitempty"`
	Warnings []string     `json:"warnings,omitempty"`
}
