package api

import (
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/epcis"
	"lintel/engine/store"
)

const capturePath = "/epcis/capture"

// happening writes one ObjectEvent that happened a second ago. Members are JSON, without the
// braces.
func happening(members string) string {
	return fmt.Sprintf(`{"type":"ObjectEvent","eventTime":"%s","eventTimeZoneOffset":"+00:00","action":"OBSERVE",%s}`,
		time.Now().Add(-time.Second).UTC().Format("2006-01-02T15:04:05.000Z"), members)
}

func document(events ...string) string {
	return `{"@context":["` + epcis.DefaultContext +
		`"],"type":"EPCISDocument","schemaVersion":"2.0","creationDate":"2026-03-01T10:00:00Z","epcisBody":{"eventList":[` +
		strings.Join(events, ",") + `]}}`
}

func at(site, kind, id string) string {
	return fmt.Sprintf(`{"id":"%s/sites/%s/%s/%s"}`, defaultPublicURL, site, kind, id)
}

// captured posts a document and waits until its job is done.
func (r *rig) captured(path, doc string, headers ...string) CaptureJob {
	r.t.Helper()
	rep := r.do("POST", path, doc, append([]string{"Content-Type", "application/ld+json"}, headers...)...).wants(202)
	require.Equal(r.t, epcis.Version, rep.header.Get(epcis.HeaderEPCISVersion))
	location := rep.header.Get("Location")
	require.True(r.t, strings.HasPrefix(location, capturePath+"/"), location)
	var job CaptureJob
	r.until("the capture", func() bool {
		job = into[CaptureJob](r.get(location).wants(200))
		return !job.Running
	})
	require.NotEmpty(r.t, job.FinishedAt)
	return job
}

const aBook = "https://id.gs1.org/01/09521141123454/21/6789"

func TestCaptureBecomesItems(t *testing.T) {
	r := newRig(t).shop()
	job := r.captured(capturePath, document(happening(`"bizStep":"receiving","epcList":["`+aBook+
		`","urn:epc:id:sgtin:9521141.012345.77"],"bizLocation":`+at("umberhithe", "zones", "stockroom")+
		`,"bizTransactionList":[{"type":"desadv","bizTransaction":"urn:epc:id:gdti:9521141.00001.7"}],"sourceList":[{"type":"location","source":"urn:epc:id:sgln:9521141.00001.0"}]`)))
	require.True(t, job.Success)
	require.Equal(t, []int{1, 1}, []int{job.Events, job.Entries})
	require.Equal(t, epcis.Rollback, job.ErrorBehaviour)
	require.Empty(t, job.Errors)
	require.Equal(t, []CaptureNote{{Instance: "#/epcisBody/eventList/0/sourceList", Reason: "sources are not used",
		Ignored: true}}, job.Notes)
	v := r.item(harbourLight)
	require.Equal(t, []string{"stockroom", "sellable_not_accessible"}, []string{v.Zone, v.Disposition})

	// A single event, a read by a reader's own antenna, and a sale.
	one := strings.Replace(happening(`"epcList":["`+aBook+
		`"],"bizStep":"retail_selling","disposition":"retail_sold","readPoint":`+at("umberhithe", "read-points",
		"till-1")), "{", `{"@context":["`+epcis.DefaultContext+`"],`, 1)
	r.captured(capturePath, one)
	require.Equal(t, "retail_sold", r.item(harbourLight).Disposition)
	job = r.captured(capturePath, document(
		happening(`"epcList":["https://id.gs1.org/01/09521141123454/21/77"],"readPoint":`+at("umberhithe", "read-points", "shelf-a-1")),
		happening(`"epcList":["https://id.gs1.org/01/09521141123454/21/77"],"readPoint":`+at("umberhithe", "read-points", "handheld-1")),
		happening(`"epcList":["https://id.gs1.org/01/09521141123454/21/78"],"bizStep":"stocking","bizLocation":`+
			at("umberhithe", "zones", "shelf-a")),
	))
	require.Equal(t, 3, job.Events)
	require.Len(t, job.Notes, 1)
	require.Equal(t, "#/epcisBody/eventList/1/readPoint/id", job.Notes[0].Instance)
	require.Equal(t, "shelf-a", r.item("(01)09521141123454(21)78").Zone)

	// Events that name no place, for the site of the query.
	r.captured(capturePath+"?site=umberhithe", document(
		happening(`"bizStep":"shipping","epcList":["https://id.gs1.org/01/09521141123454/21/78"]`)))
	require.Equal(t, "in_transit", r.item("(01)09521141123454(21)78").Disposition)
}

func TestCaptureAllOrNothing(t *testing.T) {
	r := newRig(t).shop()
	_, before, err := r.store.Cursor(t.Context(), "umberhithe")
	require.NoError(t, err)
	good := happening(`"bizStep":"receiving","epcList":["` + aBook + `"],"bizLocation":` + at("umberhithe", "zones", "stockroom"))
	bad := happening(`"bizStep":"recieving","epcList":["` + aBook + `"]`)
	future := strings.Replace(good, `"eventTime":"20`, `"eventTime":"21`, 1)
	for want, doc := range map[string]string{
		"recieving": document(good, bad), "names no place": document(good, happening(`"epcList":["`+aBook+`"]`)),
		"ahead of the server": document(good, future),
		"there is no site":    document(good, strings.Replace(good, "sites/umberhithe", "sites/nowhere", 1)),
		"not valid JSON":      "{", "belong to 2 sites": document(good, strings.Replace(good, "sites/umberhithe", "sites/pier", 1)),
	} {
		if strings.Contains(want, "2 sites") {
			r.put("/v1/sites/pier/layout", strings.Replace(testLayout, `"site": "umberhithe"`, `"site": "pier"`, 1)).wants(201)
		}
		p := r.post(capturePath, doc).wantsCode(codeInvalidEPCIS)
		require.Contains(t, string(p.body), want)
		require.Equal(t, "epcisException:ValidationException", p.json()["type"])
		require.NotEmpty(t, p.json()["title"])
		require.Equal(t, epcis.Version, p.header.Get(epcis.HeaderCBVVersion))
	}
	files, err := filepath.Glob("../engine/epcis/testdata/invalid/*.jsonld")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, f := range files {
		doc, err := os.ReadFile(f)
		require.NoError(t, err)
		p := r.post(capturePath+"?site=umberhithe", string(doc)).wantsCode(codeInvalidEPCIS)
		require.NotEmpty(t, p.json()["errors"], f)
	}
	_, after, err := r.store.Cursor(t.Context(), "umberhithe")
	require.NoError(t, err)
	require.Equal(t, before, after, "nothing of them is in the journal")

	// The same with proceed: the good ones are taken, and the job says what became of the others.
	job := r.captured(capturePath, document(bad, good, future, strings.Replace(good, "sites/umberhithe", "sites/pier",
		1)), epcis.HeaderErrorBehaviour, "proceed")
	require.False(t, job.Success)
	require.Equal(t, 2, job.Events)
	require.Len(t, job.Errors, 2)
	require.Equal(t, "#/epcisBody/eventList/0/bizStep", job.Errors[0].Instance)
	require.Equal(t, "#/epcisBody/eventList/2/eventTime", job.Errors[1].Instance)
	require.Equal(t, "stockroom", r.item(harbourLight).Zone)
	require.Equal(t, "stockroom", into[ItemView](r.get("/v1/sites/pier/items/"+harbourLight).wants(200)).Zone)
}

func TestCaptureOnce(t *testing.T) {
	r := newRig(t).shop()
	doc := document(happening(`"bizStep":"receiving","epcList":["` + aBook + `"],"bizLocation":` + at("umberhithe", "zones", "stockroom")))
	first := r.captured(capturePath, doc)
	_, entries, err := r.store.Cursor(t.Context(), "umberhithe")
	require.NoError(t, err)
	rep := r.post(capturePath, doc).wants(202)
	require.Equal(t, "true", rep.header.Get(kit.HeaderReplayed))
	require.Equal(t, first.ID, into[CaptureJob](rep).ID)
	// The job got lost, as if the process had been killed before it was kept.
	_, err = r.store.SetValues(t.Context(), store.Value{Kind: kindCapture, Key: first.ID, Revision: store.AnyRevision})
	require.NoError(t, err)
	require.Equal(t, first.ID, r.captured(capturePath, doc).ID)
	_, again, err := r.store.Cursor(t.Context(), "umberhithe")
	require.NoError(t, err)
	require.Equal(t, entries, again, "nothing counts twice")

	keyed := r.do("POST", capturePath, doc, "Idempotency-Key", "e").wants(202)
	replayed := r.do("POST", capturePath, doc, "Idempotency-Key", "e").wants(202)
	require.Equal(t, keyed.header.Get("Location"), replayed.header.Get("Location"))
	require.NotEmpty(t, replayed.header.Get("Location"))
	p := r.do("POST", capturePath, doc+" ", "Idempotency-Key", "e").wantsCode(kit.CodeIdempotencyMismatch)
	require.Contains(t, p.json()["type"], "epcisException:")
	r.do("POST", capturePath, doc, "Idempotency-Key", `"`).wantsCode(kit.CodeInvalidIdempotencyKey)

	// Jobs that are too old are dropped.
	old := keptCapture{At: time.Now().Add(-captureKeep - time.Hour).UnixMilli(),
		Job: CaptureJob{Job: epcis.Job{ID: strings.Repeat("0", 32), Errors: []epcis.JobError{}, ErrorBehaviour: epcis.Rollback}}}
	_, err = r.store.SetValues(t.Context(), store.Value{Kind: kindCapture, Key: old.Job.ID, Data: kit.MustJSON(old)})
	require.NoError(t, err)
	r.get(capturePath + "/" + old.Job.ID).wants(200)
	r.api.epcis.captures = kit.Seldom{Every: time.Hour}
	r.captured(capturePath, doc+"\n")
	r.get(capturePath + "/" + old.Job.ID).wantsCode(codeUnknownCapture)
}

func TestCaptureOfOthers(t *testing.T) {
	r := newRig(t).shop()
	doc := document(happening(`"bizStep":"receiving","epcList":["` + aBook + `"],"bizLocation":` + at("umberhithe", "zones", "stockroom")))
	job := r.captured(capturePath, doc)
	elsewhere, err := kit.MintKey(t.Context(), r.store, "pier-gate", []string{kit.ScopeSales}, []string{"pier"}, "test", r.clock())
	require.NoError(t, err)
	r.api.server.ForgetKeys()
	r.as(elsewhere, func(r *rig) {
		p := r.post(capturePath, doc).wantsCode(kit.CodeMissingSite)
		require.Equal(t, "epcisException:SecurityException", p.json()["type"])
		r.post(capturePath+"?site=umberhithe", doc).wantsCode(kit.CodeMissingSite)
		require.Empty(t, into[[]CaptureJob](r.get(capturePath).wants(200)))
		p = r.get(capturePath + "/" + job.ID).wantsCode(codeUnknownCapture)
		require.Equal(t, "epcisException:NoSuchResourceException", p.json()["type"])
	})
	r.get(capturePath + "/nothing").wantsCode(codeUnknownCapture)
	r.get(capturePath + "/nothing?x=1").wantsCode(kit.CodeInvalidParameter)
	r.post(capturePath+"?site=nowhere", doc).wantsCode(kit.CodeUnknownSite)
	r.post(capturePath+"?site=_answers", doc).wantsCode(kit.CodeUnknownSite)
	p := r.do("POST", capturePath, doc, epcis.HeaderErrorBehaviour, "all").wantsCode(kit.CodeInvalidParameter)
	require.Equal(t, "epcisException:QueryParameterException", p.json()["type"])
	p = r.do("POST", capturePath, doc, epcis.HeaderEPCISVersion, "1.2").wantsCode(kit.CodeNotAcceptable)
	require.Equal(t, "epcisException:NotAcceptableException", p.json()["type"])
	p = r.do("POST", capturePath, "<epcis/>", "Content-Type", "application/xml").wantsCode(kit.CodeUnsupportedType)
	require.Equal(t, "epcisException:UnsupportedMediaTypeException", p.json()["type"])
	p = r.do("POST", capturePath, doc, "Authorization", "").wantsCode(kit.CodeUnauthorized)
	require.Equal(t, "epcisException:SecurityException", p.json()["type"])
	r.bodyFaults("POST", capturePath, kit.MediaJSON, true)

	small := newRig(t, func(o *Options) { o.BatchLimit = 1 }).shop()
	event := happening(`"epcList":["` + aBook + `"],"bizLocation":` + at("umberhithe", "zones", "stockroom"))
	p = small.post(capturePath, document(event, event)).wantsCode(codeBatchTooLarge)
	require.Equal(t, "epcisException:CaptureLimitExceededException", p.json()["type"])
	require.Equal(t, "1", p.header.Get(epcis.HeaderCaptureLimit))

	rep := r.do("OPTIONS", capturePath, "").wants(204)
	require.Equal(t, "10000", rep.header.Get(epcis.HeaderCaptureLimit))
	require.Contains(t, rep.header.Get("Allow"), "POST")
	r.do("OPTIONS", capturePath+"?x=1", "").wantsCode(kit.CodeInvalidParameter)
}

// TestFactsAsEPCIS gives facts away and takes them back: what was written follows the standard as
// far as the strict reader knows it, and ids are the hashes of events.
func TestFactsAsEPCIS(t *testing.T) {
	r := newRig(t).shop().stocked()
	r.post("/v1/sites/umberhithe/events?wait=5s", `{"type":"sold","epc":"(01)09521141123454(21)104","zone":"till","ref":"R 1"}`).wants(200)
	rep := r.get("/v1/sites/umberhithe/facts?as=epcis").wants(200)
	require.Equal(t, mediaJSONLD, rep.header.Get("Content-Type"))
	require.Equal(t, epcis.Version, rep.header.Get(epcis.HeaderEPCISVersion))
	doc, err := epcis.Parse(rep.body, epcis.Options{})
	require.NoError(t, err)
	require.Equal(t, epcis.TypeDocument, doc.Type)
	require.Len(t, doc.Events, 8, "seven arrived, one sold")
	for i := range doc.Events {
		ev := &doc.Events[i]
		require.Equal(t, epcis.EventID(ev), ev.ID)
		require.True(t, strings.HasPrefix(ev.ID, "ni:///sha-256;"))
	}
	sale := doc.Events[7]
	require.Equal(t, []string{"retail_selling", "retail_sold"}, []string{sale.BizStep, sale.Disposition})
	require.Equal(t, defaultPublicURL+"/sites/umberhithe/documents/R%201", sale.BizTransactions[0].ID)

	var plain map[string]any
	require.NoError(t, json.Unmarshal(r.get("/v1/sites/umberhithe/facts?as=epcis&cause=sold").wants(200).body, &plain))
	require.Len(t, plain["epcisBody"].(map[string]any)["eventList"], 1)
	require.Contains(t, string(r.get("/v1/sites/umberhithe/facts?as=epcis&to=1").wants(200).body), `"eventList":[]`)

	job := r.captured(capturePath, string(rep.body))
	require.True(t, job.Success)
	require.Equal(t, 8, job.Events)
	require.Equal(t, "retail_sold", r.item("(01)09521141123454(21)104").Disposition)

	for _, query := range []string{"as=csv", "as=", "as=epcis&limit=5", "as=epcis&cursor=" +
		url.QueryEscape(kit.EncodeCursor("1-0")), "as=epcis&from=x"} {
		r.get("/v1/sites/umberhithe/facts?" + query).wantsCode(kit.CodeInvalidParameter)
	}
	r.get("/v1/sites/nowhere/facts?as=epcis").wantsCode(kit.CodeUnknownSite)
}

func TestManyFactsAsEPCIS(t *testing.T) {
	r := newRig(t, func(o *Options) { o.ProductsLimit = 64 << 20 }).shop()
	const n = 2*factsPage + 7
	r.do("POST", itemsPath+".csv", manyItems(n), "Content-Type", "text/csv").wants(202)
	r.until("all items", func() bool { return into[SiteList](r.get("/v1/sites")).Sites[0].Items == n })
	require.Equal(t, n, strings.Count(string(r.get("/v1/sites/umberhithe/facts?as=epcis&cause=arrived").wants(
		200).body), `"type":"ObjectEvent"`))
}

func TestListOfCaptureJobs(t *testing.T) {
	r := newRig(t).shop()
	require.Empty(t, into[[]CaptureJob](r.get(capturePath).wants(200)))
	var ids []string
	for n := range 5 {
		doc := document(happening(fmt.Sprintf(`"bizStep":"receiving","epcList":["urn:epc:id:sgtin:9521141.012345.%d"],"bizLocation":`,
			900+n) + at("umberhithe", "zones", "stockroom")))
		ids = append(ids, r.captured(capturePath, doc).ID)
		r.tick() // the order is that of time
	}
	slices.Reverse(ids)
	var got []string
	pages := 0
	for path := capturePath + "?perPage=2"; path != ""; pages++ {
		rep := r.get(path).wants(200)
		for _, j := range into[[]CaptureJob](rep) {
			require.False(t, j.Running)
			got = append(got, j.ID)
		}
		path, _, _ = strings.Cut(strings.TrimPrefix(rep.header.Get("Link"), "<"), ">")
	}
	require.Equal(t, ids, got)
	require.Equal(t, 3, pages)
	for _, q := range []string{"?perPage=0", "?nextPageToken=x", "?page=1"} {
		r.get(capturePath + q).wantsCode(kit.CodeInvalidParameter)
	}
}
