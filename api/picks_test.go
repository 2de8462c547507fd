package api

import (
	"bytes"
	"encoding/csv"
	"testing"

	"lintel/api/kit"

	"github.com/stretchr/testify/require"
)

const picksPath = "/v1/sites/umberhithe/picks"

func TestPickList(t *testing.T) {
	r := newRig(t).shop().stocked()
	list := into[PickList](r.get(picksPath).wants(200))
	require.Len(t, list.Picks, 1)
	p := list.Picks[0]
	require.Equal(t, []any{"stockroom", "front-tables", 1, "below_minimum", "UB-1001"}, []any{p.From, p.To, p.Quantity,
		p.Reason, p.Product.SKU})
	require.Len(t, p.Items, 1)
	require.Equal(t, "stockroom", into[ItemView](r.get("/v1/sites/umberhithe/items/"+p.Items[0])).Zone)
	require.Len(t, list.Shortages, 1)
	require.Equal(t, []int{1, 2, 1, 0}, []int{list.Shortages[0].Count, *list.Shortages[0].Minimum,
		list.Shortages[0].Supplied, list.Shortages[0].Lacking})
	require.Len(t, into[PickList](r.get(picksPath+"?from=stockroom&to=front-tables")).Picks, 1)
	require.Empty(t, into[PickList](r.get(picksPath+"?from=shelf-a")).Picks)

	r.do("PUT", "/v1/products", "gtin,name,maximum\n9521141123454,The Harbour Light,front-tables:0\n", "Content-Type",
		"text/csv").wants(200)
	list = into[PickList](r.get(picksPath).wants(200))
	require.Equal(t, "above_maximum", list.Picks[0].Reason)
	require.Equal(t, "stockroom", list.Picks[0].To)
	require.Empty(t, list.Shortages)
}

func TestPickListInEveryForm(t *testing.T) {
	r := newRig(t).shop().stocked()
	rows, err := csv.NewReader(bytes.NewReader(r.get(picksPath + ".csv").wants(200).body)).ReadAll()
	require.NoError(t, err)
	require.Equal(t, []string{"From", "To", "SKU", "GTIN", "Product", "Quantity", "Why", "Items"}, rows[0])
	require.Equal(t, []string{"Stockroom", "Front tables", "UB-1001", "09521141123454", "The Harbour Light", "1",
		"below minimum", "(01)09521141123454(21)100"}, rows[1])
	require.Contains(t, string(r.get(picksPath+".html").wants(200).body), "Pick list")
	require.Contains(t, string(r.get(picksPath+".html?lines=shortages").wants(200).body), "Still lacking")
	require.Equal(t, "PK", string(r.get(picksPath + ".xlsx").wants(200).body[:2]))
	require.Contains(t, string(r.do("GET", picksPath, "", "Accept", "text/csv").wants(200).body), "UB-1001")
	r.do("GET", picksPath, "", "Accept", "image/png").wantsCode(kit.CodeNotAcceptable)
	for _, suffix := range []string{"", ".csv", ".xlsx", ".html"} {
		for _, query := range []string{"from=stockrom", "to=x", "lines=all", "x=1"} {
			r.get(picksPath + suffix + "?" + query).wantsCode(kit.CodeInvalidParameter)
		}
		r.get("/v1/sites/nowhere/picks" + suffix).wantsCode(kit.CodeUnknownSite)
	}
}
