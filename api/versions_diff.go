package api

import (
	"errors"
	"fmt"
	"net/http"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/deliver"
	"lintel/engine/store"
)

// DocumentDiff is what differs between two versions of a document.
type DocumentDiff struct {
	Document string      `json:"document"`
	From     VersionView `json:"from"`
	To       VersionView `json:"to"`
	Changes
}

const (
	diffLimit    = 100 // products that are listed by default
	diffLimitMax = 1000
)

// twoVersions reads from and to. The default is the newest version and the one before it.
func (c *call) twoVersions(name string) (from, to store.Document, err error) {
	ctx := c.Request().Context()
	newest, err := c.api.newestVersion(ctx, name)
	if err != nil {
		return from, to, err
	}
	if newest == 0 {
		return from, to, problemf(codeUnknownDocument, "There is no document %q yet.", name)
	}
	second, err := c.intParam("to", newest, 1, 1<<31-1)
	if err != nil {
		return from, to, err
	}
	first, err := c.intParam("from", max(1, second-1), 1, 1<<31-1)
	if err != nil {
		return from, to, err
	}
	if from, err = c.api.versionOf(ctx, name, first); err != nil {
		return from, to, err
	}
	to, err = c.api.versionOf(ctx, name, second)
	return from, to, err
}

// diff answers with what differs between two versions, by compare.
func (c *call) diff(name string, compare func(fromName string, from []byte, toName string, to []byte) (Changes, error)) error {
	from, to, err := c.twoVersions(name)
	if err != nil {
		return err
	}
	label := func(d store.Document) string { return fmt.Sprintf("%s@%d", name, d.Version) }
	changes, err := compare(label(from), from.Body, label(to), to.Body)
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, DocumentDiff{Document: name, From: versionView(from), To: versionView(to), Changes: changes})
}

func versionView(d store.Document) VersionView {
	return VersionView{Version: d.Version, At: d.At.UTC(), By: d.By, Note: d.Note}
}

func (c *call) diffRules() error {
	return c.diff(engine.RulesDocument, func(fromName string, from []byte, toName string, to []byte) (Changes, error) {
		return changesOfText(fromName, from, toName, to, 0), nil
	})
}

func (c *call) diffLayout() error {
	return c.diff(engine.LayoutDocument(c.site), func(fromName string, from []byte, toName string, to []byte) (Changes, error) {
		return changesOfLayout(fromName, from, toName, to, 0), nil
	})
}

func (c *call) diffChannels() error {
	return c.diff(ChannelsDocument, func(fromName string, from []byte, toName string, to []byte) (Changes, error) {
		before, err1 := deliver.ParseChannels(from)
		after, err2 := deliver.ParseChannels(to)
		if err1 != nil || err2 != nil {
			return Changes{}, errors.New("the stored channels can't be read") // the reason may quote them
		}
		return changesOfChannels(fromName, before, toName, after, 0), nil
	})
}

func (c *call) diffProducts() error {
	limit, err := c.intParam("limit", diffLimit, 1, diffLimitMax)
	if err != nil {
		return err
	}
	return c.diff(engine.ProductsDocument, func(_ string, from []byte, _ string, to []byte) (Changes, error) {
		before, err := catalog.ParseBinary(from)
		if err != nil {
			return Changes{}, err
		}
		after, err := catalog.ParseBinary(to)
		if err != nil {
			return Changes{}, err
		}
		return changesOfProducts(before, after, limit), nil
	})
}
