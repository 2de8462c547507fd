package epcis

import "strings"

// The words of the Core Business Vocabulary 2.0 that stand as bare strings in JSON. Source: the
// EPCIS 2.0 JSON Schema.
var (
	bizSteps = words("accepting", "arriving", "assembling", "collecting", "commissioning", "consigning", "creating_class_instance",
		"cycle_counting", "decommissioning", "departing", "destroying", "disassembling", "dispensing", "encoding",
		"entering_exiting", "holding",
		"inspecting", "installing", "killing", "loading", "other", "packing", "picking", "receiving", "removing",
		"repackaging", "repairing",
		"replacing", "reserving", "retail_selling", "sampling", "sensor_reporting", "shipping", "staging_outbound",
		"stock_taking", "stocking",
		"storing", "transporting", "unloading", "unpacking", "void_shipping")
	dispositions = words("active", "available", "completeness_inferred", "completeness_verified", "conformant", "container_closed",
		"container_open", "damaged", "destroyed", "dispensed", "disposed", "encoded", "expired", "in_progress", "in_transit", "inactive",
		"mismatch_class", "mismatch_instance", "mismatch_quantity", "needs_replacement", "no_pedigree_match", "non_conformant",
		"non_sellable_other", "partially_dispensed", "recalled", "reserved", "retail_sold", "returned", "sellable_accessible",
		"sellable_not_accessible", "stolen", "unavailable", "unknown")
	transactionTypes = words("bol", "cert", "desadv", "inv", "pedigree", "po", "poc", "prodorder", "recadv", "rma",
		"testprd", "testres", "upevt")
	partyTypes   = words("owning_party", "possessing_party", "location")
	errorReasons = words("did_not_occur", "incorrect_data")
	actions      = words("ADD", "OBSERVE", "DELETE")
	eventTypes   = words("ObjectEvent", "AggregationEvent", "TransactionEvent", "TransformationEvent", "AssociationEvent")
)

// vocabulary is a closed list of words, and the beginning of the URI that each of them represents.
type vocabulary struct {
	list []string
	has  map[string]bool
}

func words(list ...string) vocabulary {
	v := vocabulary{list: list, has: make(map[string]bool, len(list))}
	for _, w := range list {
		v.has[w] = true
	}
	return v
}

// The beginnings of the URIs that bare strings represent.
const (
	uriBizStep     = "https://ref.gs1.org/cbv/BizStep-"
	uriDisposition = "https://ref.gs1.org/cbv/Disp-"
	uriTransaction = "https://ref.gs1.org/cbv/BTT-"
	uriParty       = "https://ref.gs1.org/cbv/SDT-"
	uriComponent   = "https://ref.gs1.org/cbv/Comp-"
	uriMeasurement = "https://gs1.org/voc/"
)

// oldVocabulary are the URN forms, which JSON does not allow, and what they became.
var oldVocabulary = [...][2]string{
	{"urn:epcglobal:cbv:bizstep:", uriBizStep},
	{"urn:epcglobal:cbv:disp:", uriDisposition},
	{"urn:epcglobal:cbv:btt:", uriTransaction},
	{"urn:epcglobal:cbv:sdt:", uriParty},
	{"urn:epcglobal:cbv:er:", "https://ref.gs1.org/cbv/ER-"},
}

// bare returns the word that a value represents: it may come as the word, as its full URI, or with
// a prefix.
func bare(value, uri string) string {
	if rest, ok := strings.CutPrefix(value, "cbv:"); ok {
		value = builtin["cbv"] + rest
	}
	if rest, ok := strings.CutPrefix(value, uri); ok {
		return rest
	}
	return value
}
