package api

import (
	"encoding/json"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/deliver"
	"lintel/engine/event"
)

// story plays requests and keeps them and their answers as examples.
type story struct {
	*rig
	examples map[string]map[string]map[string]json.RawMessage
}

func (s *story) keep(operation, part, media string, body []byte) {
	if media != kit.MediaJSON && !strings.HasSuffix(media, "+json") {
		body = kit.MustJSON(string(body))
	}
	if s.examples[operation] == nil {
		s.examples[operation] = map[string]map[string]json.RawMessage{}
	}
	if s.examples[operation][part] == nil {
		s.examples[operation][part] = map[string]json.RawMessage{}
	}
	s.examples[operation][part][media] = body
}

// play sends a request and keeps both bodies.
func (s *story) play(operation, path, media, body string, status int) *reply {
	s.t.Helper()
	i := slices.IndexFunc(s.api.routes, func(r kit.Route) bool { return r.Name == operation })
	require.GreaterOrEqual(s.t, i, 0, operation)
	if body != "" {
		s.keep(operation, "request", media, []byte(body))
	}
	rep := s.do(s.api.routes[i].Method, path, body, "Content-Type", media).wants(status)
	s.keep(operation, fmt.Sprint(status), kit.MediaJSON, rep.body)
	return rep
}

// A book of the demonstration's shop, and where its documents are.
const (
	exampleTag = "303645214800000000000001" // (01)09521234000006(21)1
	demoShop   = "../engine/sim/umberhithe/"
)

// secretsAsObjects matches a secret alone, which the schema, kept simple for generators of clients, has
// as an object only.
var secretsAsObjects = regexp.MustCompile(`"whsec_[^"]*"`)

// TestExamples plays the examples of the OpenAPI document at a corner of the demonstration's shop. The
// answers have the members that the examples have, and these keep to the document's schemas. With
// -rewrite it writes the examples.
func TestExamples(t *testing.T) {
	s := &story{rig: newRig(t), examples: map[string]map[string]map[string]json.RawMessage{}}
	file := func(name string) string {
		b, err := os.ReadFile(demoShop + name)
		require.NoError(t, err)
		return string(b)
	}
	var lay map[string]any
	require.NoError(t, json.Unmarshal([]byte(file("layout.json")), &lay))
	some := func(what string, ids ...string) {
		lay[what] = slices.DeleteFunc(lay[what].([]any), func(v any) bool { return !slices.Contains(ids, v.(map[string]any)["id"].(string)) })
		require.Len(t, lay[what], len(ids))
	}
	some("zones", "front-tables", "shelf-a", "till", "street-door", "stockroom")
	some("read_points", "shelf-a-1", "street-door-in", "street-door-out", "till-1", "handheld-1")
	s.play("putLayout", "/v1/sites/umberhithe/layout", kit.MediaJSON, string(kit.MustJSON(lay)), 201)
	s.play("putProducts", "/v1/products", mediaCSV, strings.Join(strings.SplitAfter(file("products.csv"), "\n")[:4], ""), 201)
	s.play("putChannels", "/v1/channels", kit.MediaJSON, secretsAsObjects.ReplaceAllString(file("channels.json"), `{"secret": $0}`), 201)
	s.play("putRules", "/v1/rules", mediaYAML, file("rules.yaml"), 201)

	// A book is found at its shelf, goes out of the door, and its sale is reported afterwards. All that is
	// so long ago that nobody waits until the passage is sure.
	at := s.clock().Add(-15 * time.Second).UTC().Truncate(time.Second)
	read := func(point, zone string, rssi float64, after time.Duration) map[string]any {
		m := map[string]any{"epc": exampleTag, "read_point": point, "rssi": rssi, "time": at.Add(after)}
		if zone != "" {
			m["zone"] = zone
		}
		return m
	}
	reads := func(list ...map[string]any) string { return string(kit.MustJSON(list)) }
	s.play("postReads", "/v1/sites/umberhithe/reads?wait=10s", kit.MediaJSON, reads(read("handheld-1", "shelf-a", -52.5, 0)), 200)
	s.play("getItem", "/v1/sites/umberhithe/items/"+exampleTag, "", "", 200)
	var walk []map[string]any
	for i, point := range []string{"in", "in", "in", "in", "out", "out", "out", "out"} {
		rssi := []float64{-66, -60, -55, -60, -60, -54, -58, -66}[i]
		walk = append(walk, read("street-door-"+point, "", rssi, time.Second+time.Duration(150*i)*time.Millisecond))
	}
	s.play("postReads", "/v1/sites/umberhithe/reads", kit.MediaJSON, reads(walk...), 202)
	var alert event.AlertView
	s.until("an alert", func() bool {
		list := into[AlertList](s.get("/v1/alerts?rule=unpaid-at-door")).Alerts
		if len(list) == 0 {
			return false
		}
		alert = list[0]
		return s.get("/v1/alerts/"+alert.ID).status == 200
	})
	s.play("listAlerts", "/v1/alerts", "", "", 200)
	s.play("getAlert", "/v1/alerts/"+alert.ID, "", "", 200)
	s.play("acknowledgeAlert", "/v1/alerts/"+alert.ID+"/acknowledge", kit.MediaJSON, `{"note":"On the way to the door."}`, 200)
	s.play("postEvents", "/v1/sites/umberhithe/events?wait=10s", kit.MediaJSON, string(kit.MustJSON([]any{map[string]any{
		"type": "sold", "epcs": []string{exampleTag}, "zone": "till", "ref": "R-1001", "time": at.Add(time.Second)}})), 200)
	s.play("closeAlert", "/v1/alerts/"+alert.ID+"/close", kit.MediaJSON, `{"outcome":"`+event.Outcomes.Texts()[0]+`","note":"The till was slow."}`, 200)

	deliveries := into[DeliveryList](s.get("/v1/deliveries?alert=" + alert.ID)).Deliveries // the newest one first
	delivery := into[DeliveryView](s.get("/v1/deliveries/" + deliveries[len(deliveries)-1].ID))
	for _, format := range []deliver.Format{deliver.FormatWebhook, deliver.FormatCloudEvents} {
		b, media, err := deliver.Channel{Format: format}.Render("umberhithe", &event.Delivery{ID: delivery.ID, Channel: delivery.Channel,
			Type: delivery.Type, Alert: delivery.Alert, Order: delivery.Order, At: delivery.At.UnixMilli(), Data: delivery.Data})
		require.NoError(t, err)
		media, _, _ = strings.Cut(media, ";")
		s.keep("alert", "request", media, b)
	}

	count := into[CountView](s.play("openCount", "/v1/sites/umberhithe/counts", kit.MediaJSON, `{"zones":["shelf-a"]}`, 201)).ID
	path := "/v1/sites/umberhithe/counts/" + count
	second := map[string]any{"epc": "303645214800000000000002", "read_point": "handheld-1", "zone": "shelf-a", "rssi": -52.5}
	s.play("postCountReads", path+"/reads?wait=10s", kit.MediaJSON, reads(second), 200)
	s.play("getCount", path, "", "", 200)
	s.play("closeCount", path+"/close", "", "", 200)
	s.play("countDifferences", path+"/differences", "", "", 200)
	s.play("find", "/v1/sites/umberhithe/find?q=UB-1001", "", "", 200)

	if *rewriteDocument {
		b, err := json.MarshalIndent(s.examples, "", "  ")
		require.NoError(t, err)
		require.NoError(t, os.WriteFile("examples.json", append(b, '\n'), 0o644))
		t.Log("examples.json was written; run the test again to check it")
		return
	}
	require.JSONEq(t, string(kit.MustJSON(kinds(any(roundTrip(examples()))))), string(kit.MustJSON(kinds(roundTrip(s.examples)))),
		"the server answers otherwise: run this test with -rewrite")

	// Each example, against the schema beside it.
	doc := strictDoc
	checked := 0
	check := func(pointer string, contents any) {
		for media, content := range contents.(map[string]any) {
			content := content.(map[string]any)
			if example := content["example"]; example != nil {
				schema := compile(t, pointer+"/content/"+escaped(media)+"/schema")
				require.NoError(t, schema.Validate(example), "%s %s", pointer, media)
				checked++
			}
		}
	}
	each := func(pointer string, operation map[string]any) {
		if body, ok := operation["requestBody"].(map[string]any); ok {
			check(pointer+"/requestBody", body["content"])
		}
		for status, resp := range operation["responses"].(map[string]any) {
			if content := resp.(map[string]any)["content"]; content != nil {
				check(pointer+"/responses/"+status, content)
			}
		}
	}
	for _, part := range []string{"paths", "webhooks"} {
		for path, item := range doc[part].(map[string]any) {
			for method, operation := range item.(map[string]any) {
				each("/"+part+"/"+escaped(path)+"/"+method, operation.(map[string]any))
			}
		}
	}
	want := 0
	for _, parts := range examples() {
		for _, bodies := range parts {
			want += len(bodies)
		}
	}
	require.Equal(t, want, checked, "examples in the file, and in the document")
}

// kinds is a value with the kinds of its parts in place of texts, numbers and truths.
func kinds(v any) any {
	switch v := v.(type) {
	case map[string]any:
		m := map[string]any{}
		for key, part := range v {
			m[key] = kinds(part)
		}
		return m
	case []any:
		list := make([]any, len(v))
		for i, part := range v {
			list[i] = kinds(part)
		}
		return list
	case nil:
		return nil
	case json.Number:
		return "number"
	}
	return fmt.Sprintf("%T", v)
}
