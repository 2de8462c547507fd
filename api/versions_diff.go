package api

import (
	"cmp"
	"errors"
	"fmt"

	"lintel/api/kit"
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

// comparer says what differs between two bodies of a document.
type comparer func(c *kit.Call, fromName string, from []byte, toName string, to []byte) (Changes, error)

// twoVersions reads from and to. The default is the newest version and the one before it.
func (h documents) twoVersions(c *kit.Call, name string) (from, to store.Document, err error) {
	ctx := c.Ctx()
	newest, err := h.present(ctx, name)
	if err != nil {
		return from, to, err
	}
	second := cmp.Or(c.Int("to"), newest)
	first := cmp.Or(c.Int("from"), max(1, second-1))
	if from, err = h.versionOf(ctx, name, first); err != nil {
		return from, to, err
	}
	to, err = h.versionOf(ctx, name, second)
	return from, to, err
}

// diff answers with what differs between two versions, by compare.
func (h documents) diff(c *kit.Call, name string, compare comparer) error {
	from, to, err := h.twoVersions(c, name)
	if err != nil {
		return err
	}
	label := func(d store.Document) string { return fmt.Sprintf("%s@%d", name, d.Version) }
	changes, err := compare(c, label(from), from.Body, label(to), to.Body)
	return c.Answer(DocumentDiff{Document: name, From: versionView(from), To: versionView(to), Changes: changes}, err)
}

func versionView(d store.Document) VersionView {
	return VersionView{Version: d.Version, At: d.At.UTC(), By: d.By, Note: d.Note}
}

func diffRules(_ *kit.Call, fromName string, from []byte, toName string, to []byte) (Changes, error) {
	return changesOfText(fromName, from, toName, to, 0), nil
}

func diffLayout(_ *kit.Call, fromName string, from []byte, toName string, to []byte) (Changes, error) {
	return changesOfLayout(fromName, from, toName, to, 0), nil
}

func diffChannels(_ *kit.Call, fromName string, from []byte, toName string, to []byte) (Changes, error) {
	before, err1 := deliver.ParseChannels(from)
	after, err2 := deliver.ParseChannels(to)
	if err1 != nil || err2 != nil {
		return Changes{}, errors.New("the stored channels can't be read") // the reason may quote them
	}
	return changesOfChannels(fromName, before, toName, after, 0), nil
}

func diffProducts(c *kit.Call, _ string, from []byte, _ string, to []byte) (Changes, error) {
	limit := c.Int("limit")
	before, err := catalog.ParseBinary(from)
	if err != nil {
		return Changes{}, err
	}
	after, err := catalog.ParseBinary(to)
	if err != nil {
		return Changes{}, err
	}
	return changesOfProducts(before, after, limit), nil
}
