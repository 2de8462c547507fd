package trial

import (
	"encoding/json"
	"time"

	"lintel/engine"
	"lintel/engine/event"
)

// Alert is an alert that never was, in words: it has no id, and nobody was notified.
type Alert struct {
	Rule     string             `json:"rule"`
	About    string             `json:"about"`
	Severity string             `json:"severity"`
	Say      string             `json:"say"`
	Item     string             `json:"item,omitempty"`
	GTIN     string             `json:"gtin,omitempty"`
	Product  string             `json:"product,omitempty" jsonschema_description:"Its name."`
	Zone     string             `json:"zone,omitempty"`
	Place    string             `json:"place,omitempty" jsonschema_description:"About stock: a zone's id, or kind: and a zone kind."`
	Reader   string             `json:"reader,omitempty"`
	Count    string             `json:"count,omitempty"`
	Cause    string             `json:"cause,omitempty"`
	Fact     string             `json:"fact,omitempty" jsonschema_description:"Id of the fact that raised it."`
	Passage  *event.PassageView `json:"passage,omitempty"`
	Since    *time.Time         `json:"since,omitempty" jsonschema_description:"When the condition became true."`
	Opened   *time.Time         `json:"opened_at,omitempty"`
	Why      json.RawMessage    `json:"why,omitempty"`
}

// AlertOf puts an alert of a trial into words.
func AlertOf(a *event.Alert, cfg *engine.Config) Alert {
	w := a.View("")
	v := Alert{
		Rule: w.Rule, About: w.About, Severity: w.Severity, Say: w.Say, Item: w.Item, GTIN: w.GTIN, Zone: w.Zone,
		Place: w.Place, Reader: w.Reader, Count: w.Count, Cause: w.Cause, Fact: w.Fact,
		Passage: w.Passage, Since: w.Since, Opened: w.Opened, Why: w.Why,
	}
	if k, ok := cfg.Catalog.ByGTIN(a.GTIN); ok {
		v.Product = cfg.Catalog.At(k).Name
	}
	return v
}
