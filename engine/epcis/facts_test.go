package epcis_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"iter"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"

	"lintel/engine/epcis"
	"lintel/engine/event"
)

func seq(facts ...event.Fact) iter.Seq2[*event.Fact, error] {
	return func(yield func(*event.Fact, error) bool) {
		for i := range facts {
			if !yield(&facts[i], nil) {
				return
			}
		}
	}
}

func when(t testing.TB, s string) int64 {
	t.Helper()
	at, err := time.Parse(time.RFC3339Nano, s)
	require.NoError(t, err)
	return at.UnixMilli()
}

// sample returns facts of every cause.
func sample(t testing.TB) []event.Fact {
	item := func(cause event.Cause, disp event.Disposition, more event.Fact) event.Fact {
		f := more
		tag := tag(t, "https://id.gs1.org/01/09521141123454/21/6789")
		f.Cause, f.Disp, f.Key, f.Text, f.GTIN = cause, disp, tag.Key, tag.Text, 9521141123454
		f.At, f.Ms = when(t, "2026-07-01T09:59:58.250Z"), when(t, "2026-07-01T09:59:59Z")
		return f
	}
	const acc, back = event.SellableAccessible, event.SellableNotAccessible
	facts := []event.Fact{
		item(event.Arrived, acc, event.Fact{Zone: "shelf-a", From: "stockroom", Point: "handheld-1"}),
		item(event.Arrived, back, event.Fact{Zone: "stockroom"}),
		item(event.Arrived, back, event.Fact{Zone: "cafe"}),
		item(event.Passed, acc, event.Fact{Zone: "street-door", Point: "door-in"}),
		item(event.Sold, event.RetailSold, event.Fact{Zone: "till", Ref: "R 42"}),
		item(event.Returned, acc, event.Fact{Zone: "front-tables", Ref: "https://example.com/r/1"}),
		item(event.Received, back, event.Fact{Zone: "receiving-bay", Ref: "D-1"}),
		item(event.Shipped, event.InTransit, event.Fact{From: "stockroom"}),
		item(event.Found, acc, event.Fact{Zone: "shelf-a"}),
		item(event.Retired, event.Inactive, event.Fact{From: "shelf-a"}),
		item(event.Registered, event.Unknown, event.Fact{}),
		{Cause: event.Counted, Zone: "shelf-a", Ref: "count-1", Count: 40, Expected: 42, MissingItems: 3, Unexpected: 1,
			At: when(t, "2026-01-01T12:00:00Z"), Ms: when(t, "2026-01-01T12:00:00Z")},
	}
	// None of these is an event.
	return append(facts,
		item(event.Left, acc, event.Fact{From: "shelf-a"}), item(event.Missing, acc, event.Fact{From: "shelf-a"}),
		item(event.Foreign, event.Unknown, event.Fact{Zone: "cafe"}),
		item(event.Passed, event.Unknown, event.Fact{Point: "door-in"}), item(event.Passed, event.RetailSold,
			event.Fact{Point: "door-in"}), event.Fact{Cause: event.Silent, Point: "tables-1"},
		event.Fact{Cause: event.Heard, Point: "tables-1"}, event.Fact{Cause: event.Stock, GTIN: 9521141123454, Zone: "shelf-a", Count: 3},
	)
}

func options(t testing.TB) epcis.ExportOptions {
	return epcis.ExportOptions{Places: places(t), Created: when(t, "2026-07-02T00:00:00Z")}
}

func TestFactsBecomeEvents(t *testing.T) {
	doc, sum, err := epcis.FromFacts(seq(sample(t)...), options(t))
	require.NoError(t, err)
	require.Equal(t, 12, sum.Events)
	require.Equal(t, map[epcis.Skip]int{epcis.SkipUnobserved: 3, epcis.SkipNotOurs: 3, epcis.SkipNoItem: 2}, sum.Skipped)

	id := func(l *epcis.Location) string {
		if l == nil {
			return "-"
		}
		return strings.NewReplacer(base+"/sites/umberhithe/", "", "https://id.gs1.org/414/9521141123454/254/", "gln:",
			"urn:epc:id:sgln:9521141.12345.", "gln:").Replace(l.ID)
	}
	var got []string
	for i := range doc.Events {
		ev := &doc.Events[i]
		s := []string{string(ev.Action), ev.BizStep, ev.Disposition, id(ev.ReadPoint), id(ev.BizLocation)}
		if len(ev.BizTransactions) == 1 {
			s = append(s, strings.TrimPrefix(ev.BizTransactions[0].ID, base+"/sites/umberhithe/"))
		}
		got = append(got, strings.Join(s, "|"))
		require.Equal(t, epcis.EventID(ev), ev.ID)
	}
	require.Equal(t, []string{
		"OBSERVE|stocking|sellable_accessible|read-points/handheld-1|zones/shelf-a",
		"OBSERVE|storing|sellable_not_accessible|zones/stockroom|zones/stockroom",
		"OBSERVE||sellable_not_accessible|zones/cafe|zones/cafe",
		"OBSERVE|entering_exiting||gln:DOOR|-",
		"OBSERVE|retail_selling|retail_sold|gln:TILL|-|documents/R%2042",
		"OBSERVE|receiving|returned|gln:FLOOR-EU|gln:FLOOR-EU|https://example.com/r/1",
		"OBSERVE|receiving|sellable_not_accessible|zones/receiving-bay|zones/receiving-bay|documents/D-1",
		"OBSERVE|shipping|in_transit|zones/stockroom|-",
		"OBSERVE|cycle_counting|sellable_accessible|zones/shelf-a|zones/shelf-a",
		"DELETE|decommissioning|inactive|zones/shelf-a|-",
		"ADD|commissioning|active|-|-",
		"OBSERVE|cycle_counting||zones/shelf-a|zones/shelf-a|documents/count-1",
	}, got)
	require.Equal(t, "+01:00", doc.Events[0].Offset, "summer time of the shop")
	require.Equal(t, "+00:00", doc.Events[11].Offset, "winter time of the shop")
	require.Equal(t, "2026-07-01T09:59:58.250Z", doc.Events[0].Time)
	require.Equal(t, []string{"https://id.gs1.org/01/09521141123454/21/6789"}, doc.Events[0].EPCs)
	require.Empty(t, doc.Events[11].EPCs)
}

func TestNeverWritesMissingOrStolen(t *testing.T) {
	for cause := range 256 {
		for disp := range 8 {
			f := sample(t)[0]
			f.Cause, f.Disp = event.Cause(cause), event.Disposition(disp)
			x, err := epcis.NewExporter(options(t))
			require.NoError(t, err)
			ev, skip := x.Event(&f)
			if skip != epcis.SkipNone {
				continue
			}
			require.NotContains(t, []string{"missing", "stolen"}, ev.Disposition)
			require.NotContains(t, string(epcis.AppendEvent(nil, &ev)), "stolen")
		}
	}
}

// What is written is read back the same, and streaming makes no difference.
func TestWrittenFactsAreValid(t *testing.T) {
	var out bytes.Buffer
	sum, err := epcis.WriteFacts(&out, seq(sample(t)...), options(t))
	require.NoError(t, err)
	require.Equal(t, 12, sum.Events)
	doc, _, err := epcis.FromFacts(seq(sample(t)...), options(t))
	require.NoError(t, err)
	require.Equal(t, doc, parse(t, out.Bytes()))
	require.Equal(t, doc, parse(t, epcis.AppendDocument(nil, doc)))
	validate(t, out.Bytes())

	out.Reset()
	_, err = epcis.WriteFacts(&out, seq(), options(t))
	require.NoError(t, err)
	require.Empty(t, parse(t, out.Bytes()).Events)
	validate(t, out.Bytes())
}

// validate checks JSON against the published JSON Schema, which may not be shipped.
func validate(t testing.TB, src []byte) {
	t.Helper()
	path := os.Getenv("LINTEL_EPCIS_SCHEMA")
	if path == "" {
		t.Log("not checked against the published JSON Schema: LINTEL_EPCIS_SCHEMA does not name it " +
			"(EPCIS-JSON-Schema.json of github.com/gs1/EPCIS)")
		return
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	c.UseRegexpEngine(ecma)
	schema, err := c.Compile(path)
	require.NoError(t, err)
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(src))
	require.NoError(t, err)
	require.NoError(t, schema.Validate(v))
}

// The published JSON Schema and Parse agree on the documents here.
func TestSchemaAgrees(t *testing.T) {
	path := os.Getenv("LINTEL_EPCIS_SCHEMA")
	if path == "" {
		t.Skip("LINTEL_EPCIS_SCHEMA is not set: it names EPCIS-JSON-Schema.json of github.com/gs1/EPCIS, which may not be shipped")
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	c.UseRegexpEngine(ecma)
	schema, err := c.Compile(path)
	require.NoError(t, err)
	valid := func(src []byte) bool {
		v, err := jsonschema.UnmarshalJSON(bytes.NewReader(src))
		require.NoError(t, err)
		return schema.Validate(v) == nil
	}
	for _, path := range glob(t, "testdata/own/*.jsonld", "testdata/hash/*.jsonld") {
		src := read(t, path)
		require.True(t, valid(src), path)
		require.True(t, valid(epcis.AppendDocument(nil, parse(t, src))), path)
	}
	for _, path := range glob(t, "testdata/invalid/*.jsonld") {
		require.False(t, valid(read(t, path)), path)
	}
}

// beginsWithNone stands for a pattern ^(?!a|b): Go's regular expressions have no lookahead.
type beginsWithNone struct {
	pattern   string
	forbidden *regexp.Regexp
}

func (n beginsWithNone) String() string            { return n.pattern }
func (n beginsWithNone) MatchString(s string) bool { return !n.forbidden.MatchString(s) }

// ecma compiles the patterns of the schema, which are ECMA-262.
func ecma(s string) (jsonschema.Regexp, error) {
	if inner, ok := strings.CutPrefix(s, "^(?!"); ok {
		re, err := regexp.Compile("^(" + strings.ReplaceAll(inner, `\/`, "/"))
		return beginsWithNone{s, re}, err
	}
	return regexp.Compile(s)
}

// What is told of an item means the same when it comes back.
func TestExportedFactsMeanWhatTheyWere(t *testing.T) {
	var out bytes.Buffer
	_, err := epcis.WriteFacts(&out, seq(sample(t)...), options(t))
	require.NoError(t, err)
	var got []string
	doc := parse(t, out.Bytes())
	for i := range doc.Events {
		effects, _ := epcis.Meaning(&doc.Events[i], places(t))
		got = append(got, short(effects))
	}
	require.Equal(t, []string{
		"moved n=1 zone=shelf-a point=handheld-1", "moved n=1 zone=stockroom", "moved n=1 zone=cafe",
		"seen n=1 point=door-in", "sold n=1 zone=till ref=R 42",
		"returned n=1 zone=front-tables ref=https://example.com/r/1", "received n=1 zone=receiving-bay ref=D-1",
		"shipped n=1", "seen n=1 zone=shelf-a", "retired n=1",
		"registered n=1 gtin=9521141123454", "",
	}, got)
}

func TestFaultsEndAnExport(t *testing.T) {
	broken := errors.New("the store is gone")
	facts := func(yield func(*event.Fact, error) bool) { yield(nil, broken) }
	_, err := epcis.WriteFacts(&bytes.Buffer{}, facts, options(t))
	require.ErrorIs(t, err, broken)
	_, err = epcis.WriteFacts(failing{}, seq(sample(t)...), options(t))
	require.ErrorIs(t, err, errFull)
	_, err = epcis.NewExporter(epcis.ExportOptions{})
	require.Error(t, err)
}

var errFull = errors.New("no space left")

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, errFull }

func TestJobs(t *testing.T) {
	_, err := epcis.Parse(read(t, "testdata/invalid/bad_action.jsonld"), epcis.Options{})
	job := epcis.Job{ID: "j1", CreatedAt: "2026-03-01T10:00:00Z", FinishedAt: "2026-03-01T10:00:01Z",
		ErrorBehaviour: epcis.Rollback, Errors: epcis.JobErrors(err)}
	b, err := json.Marshal(job)
	require.NoError(t, err)
	require.JSONEq(t, `{"captureID": "j1", "createdAt": "2026-03-01T10:00:00Z", "finishedAt": "2026-03-01T10:00:01Z",
		"running": false, "success": false, "captureErrorBehaviour": "rollback",
		"errors": [{"type": "epcisException:ValidationException", "title": "The events do not follow the standard",
			"status": 400, "instance": "#/epcisBody/eventList/0/action",
		"detail": "/epcisBody/eventList/0/action: there is no action \"CREATE\"; use one of ADD, OBSERVE, DELETE"}]}`, string(b))

	_, err = epcis.Parse([]byte("{}"), epcis.Options{MaxBytes: 1})
	require.Equal(t, epcis.ExceptionCaptureLimitExceeded, epcis.ExceptionOf(err))
	require.Equal(t, 413, epcis.ExceptionOf(err).Status())
	require.Equal(t, epcis.ExceptionImplementation, epcis.ExceptionOf(errFull))
	require.Equal(t, 500, epcis.JobErrors(errFull)[0].Status)
	require.Empty(t, epcis.JobErrors(nil))
	require.NotNil(t, epcis.JobErrors(nil))

	for s, want := range map[string]epcis.ErrorBehaviour{"": epcis.Rollback, "rollback": epcis.Rollback, " proceed": epcis.Proceed} {
		got, err := epcis.ParseErrorBehaviour(s)
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
	_, err = epcis.ParseErrorBehaviour("all")
	require.ErrorContains(t, err, "rollback or proceed")
}

// Source of the statuses: gs1/EPCIS, REST Bindings/openapi.yaml.
func TestStatusOfExceptions(t *testing.T) {
	for e, status := range map[epcis.Exception]int{
		epcis.ExceptionValidation: 400, epcis.ExceptionSecurity: 401, epcis.ExceptionNoSuchResource: 404,
		epcis.ExceptionNoSuchName: 404, epcis.ExceptionNotAcceptable: 406,
		epcis.ExceptionResourceAlreadyExists: 409, epcis.ExceptionCaptureLimitExceeded: 413,
		epcis.ExceptionQueryTooLarge: 413, epcis.ExceptionURITooLong: 414,
		epcis.ExceptionUnsupportedMediaType: 415, epcis.ExceptionImplementation: 500, "other": 500,
	} {
		require.Equal(t, status, e.Status(), string(e))
		require.Equal(t, e != "other", e.Title() != "")
	}
}
