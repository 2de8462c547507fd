package api

import (
	"errors"
	"fmt"
	"net/http"
	"strings"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/store"
	"lintel/rules"
)

// RestoreRequest says which version to go back to.
type RestoreRequest struct {
	Version int    `json:"version" jsonschema:"minimum=1" jsonschema_description:"The version whose content is stored again, as the next version."`
	Note    string `json:"note,omitempty" jsonschema:"maxLength=200" jsonschema_description:"Why; kept with the new version. Default: which version it was."`
}

// Restored is the answer to going back to an earlier version.
type Restored struct {
	Saved
	Restored    int                `json:"restored" jsonschema_description:"The version whose content it is."`
	Changes     *Changes           `json:"changes,omitempty" jsonschema_description:"What differs from the version that was replaced."`
	Diagnostics []rules.Diagnostic `json:"diagnostics,omitempty" jsonschema_description:"Warnings about the rules, as they are now."`
}

// restore stores an old version again, if it still fits everything else as it is now.
func (h documents) restore(c *kit.Call, name string) error {
	var req RestoreRequest
	if err := c.DecodeJSON(&req); err != nil {
		return err
	}
	note := req.Note
	switch {
	case req.Version < 1:
		return kit.Problemf(kit.CodeInvalidBody, "The member \"version\" must be a version of the document, a whole number from 1.")
	case !validNote(note):
		return kit.Problemf(kit.CodeInvalidBody, "The member \"note\" can have at most %d characters, on one line.", maxNoteParam)
	case note == "":
		note = fmt.Sprintf("version %d again", req.Version)
	}
	ctx := c.Ctx()
	expect, err := h.expectation(c, name)
	if err != nil {
		return err
	}
	if _, err := h.present(ctx, name); err != nil {
		return err
	}
	old, err := h.versionOf(ctx, name, req.Version)
	if err != nil {
		return err
	}
	for try := 0; ; try++ {
		p, err := h.plan(c, []wanted{{name: name, text: old.Body, stored: true}})
		if err != nil {
			return err
		}
		if expect >= 0 && p.at[name].Version != expect {
			return conflict(expect)
		}
		if !p.ok() {
			return p.invalid(fmt.Sprintf("Version %d does not fit what is there now. Nothing was stored.", req.Version))
		}
		done, err := h.storePlan(c, p, note)
		if errors.Is(err, store.ErrConflict) && try < applyTries {
			continue // another document changed, or nobody cares which version is replaced
		}
		if errors.Is(err, store.ErrConflict) {
			return conflict(-1)
		}
		if err != nil {
			return err
		}
		answer := Restored{Restored: req.Version}
		for _, d := range p.documents {
			if d.Document == name {
				answer.Saved = Saved{Document: name, Version: d.Version, By: c.Key.Name, Note: note,
					InEffect: done.inEffect, Warnings: d.Warnings}
				answer.Changes, answer.Unchanged = d.Changes, d.Change == changeUnchanged
			}
			if d.Document == engine.RulesDocument {
				answer.Diagnostics = d.Diagnostics
			}
		}
		if answer.Unchanged {
			present := p.at[name]
			answer.At, answer.By, answer.Note = present.At.UTC(), present.By, present.Note
		} else {
			answer.At = *done.at
		}
		c.Response().Header().Set("ETag", kit.ETag(answer.Version))
		return c.JSON(http.StatusOK, answer)
	}
}

func validNote(note string) bool {
	return len([]rune(note)) <= maxNoteParam && !strings.ContainsFunc(note, func(r rune) bool { return r < ' ' })
}
