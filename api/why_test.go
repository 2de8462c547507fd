package api

import (
	"net/url"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/event"
)

func TestWhy(t *testing.T) {
	r := newRig(t).shop()
	r.do("PUT", "/v1/rules", testRules+`  - name: came-to-the-shelf
    when: cause == "arrived" and zone.kind == "shelf" and product.category == "crime"
    hours: 03:00-03:01
  - name: few
    about: stock
    when: stock.has_minimum and stock.count < stock.minimum
  - name: silent
    about: reader
    when: cause == "silent"
  - name: poor
    about: count
    when: count.missing > 0
  - name: full
    about: zone
    items: item.sellable
    when: zone.kind == "shelf" and items.count > 20
`, "Content-Type", "text/yaml").wants(200)
	r.reads(`{"reads": [{"epc": "(01)09521234000013(21)7", "read_point": "handheld-1", "zone": "shelf-a"}]}`).wants(202)
	trail := "/v1/sites/umberhithe/items/" + url.PathEscape("(01)09521234000013(21)7") + "/trail"
	r.until("what came of it is committed", func() bool {
		rep := r.get(trail)
		return rep.status == 200 && len(into[FactList](rep).Facts) > 0
	})
	path := "/v1/sites/umberhithe/why?"
	item := "item=" + url.QueryEscape("(01)09521234000013(21)7")

	all := into[WhyAnswer](r.get(path + item).wants(200))
	require.Equal(t, []string{"unpaid-at-door", "in-the-shelf", "came-to-the-shelf"},
		[]string{all.Rules[0].Rule, all.Rules[1].Rule, all.Rules[2].Rule})
	require.Equal(t, []event.Reason{event.ReasonFalse, event.ReasonRaised, event.ReasonHours},
		[]event.Reason{all.Rules[0].Reason, all.Rules[1].Reason, all.Rules[2].Reason})
	require.Equal(t, `The condition is false: zone.kind == "exit" is false (zone.kind = "shelf").`, all.Rules[0].Words)
	require.True(t, all.Rules[1].Watch)
	require.NotEmpty(t, all.Rules[1].Alert)
	require.NotNil(t, all.Rules[2].Until)
	require.Equal(t, "arrived", all.Rules[2].Cause)
	require.Equal(t, "arrived", all.Fact.Cause)
	require.Equal(t, event.Notice, all.Notice)
	one := into[WhyAnswer](r.get(path + item + "&rule=in-the-shelf&fact=" + all.Fact.ID).wants(200))
	require.Equal(t, all.Rules[1:2], one.Rules)

	require.Equal(t, event.ReasonRaised, into[WhyAnswer](r.get(path +
		"gtin=09521141123454&place=front-tables&rule=few").wants(200)).Rules[0].Reason)
	require.Equal(t, event.ReasonFalse, into[WhyAnswer](r.get(path + "reader=handheld-1").wants(200)).Rules[0].Reason)

	why := into[WhyAnswer](r.get(path + "zone=shelf-a&rule=full").wants(200))
	require.Equal(t, []any{"zone", "shelf-a", event.ReasonFalse}, []any{why.About, why.Zone, why.Rules[0].Reason})

	id := into[CountView](r.post("/v1/sites/umberhithe/counts", `{"zones": ["shelf-a"]}`).wants(201)).ID
	r.get(path + "count=" + id).wantsCode(codeUnknownCount)
	r.post("/v1/sites/umberhithe/counts/"+id+"/close?anyway=1", "").wants(200)
	require.Equal(t, event.ReasonRaised, into[WhyAnswer](r.get(path + "count=" + id).wants(200)).Rules[0].Reason)

	r.get("/v1/sites/pier/why?reader=door-1").wantsCode(kit.CodeUnknownSite)
	r.get(path + item + "&rule=in-the-shelv").wantsCode(codeUnknownRule)
	r.get(path + "item=303E451FD40C0E4000001A85").wantsCode(codeInvalidIdentity)
	r.get(path + "item=" + url.QueryEscape("(01)09521234000013(21)8")).wantsCode(codeUnknownItem)
	for _, q := range []string{"", item + "&reader=handheld-1", item + "&rule=few", item + "&place=shelf-a",
		"gtin=09521141123454", "gtin=1&place=shelf-a",
		"gtin=09521141123454&place=nowhere", "reader=none", item + "&fact=x", item + "&fact=1-1", "reader=handheld-1&fact=1-1", "zone=none", "zone=shelf-a&reader=handheld-1"} {
		r.get(path + q).wantsCode(kit.CodeInvalidParameter)
	}
}
