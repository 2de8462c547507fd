package api

import (
	"cmp"
	"encoding/json"
	"fmt"
	"lintel/engine/epcis"
	"lintel/engine/store"
	"net/http"
	"slices"
	"strconv"
	"strings"
)

// keepCapture puts a job on record, and drops those that are too old.
func (c *call) keepCapture(id string, kept *keptCapture) error {
	ctx := c.Request().Context()
	_, err := c.api.store.SetValues(ctx, store.Value{Kind: kindCapture, Key: id, Data: mustJSON(kept), Revision: store.AnyRevision})
	if err != nil || !c.api.captures.due(c.api.opt.Now()) {
		return err
	}
	err = dropValues(ctx, c.api.store, kindCapture, func(data []byte) bool {
		var k keptCapture
		return json.Unmarshal(data, &k) != nil || kept.At-k.At > captureKeep.Milliseconds()
	})
	if err != nil {
		c.api.log.Warn("old capture jobs could not be dropped; will try again in an hour", "err", err)
	}
	return nil
}

// capturedJob returns a job that the caller may see, nil if there is none.
func (c *call) capturedJob(id string) (*keptCapture, error) {
	if len(id) != 32 {
		return nil, nil
	}
	var kept *keptCapture
	err := c.api.store.Values(c.Request().Context(), kindCapture, []string{id}, func(v store.Value) error {
		kept = new(keptCapture)
		return json.Unmarshal(v.Data, kept)
	})
	if err != nil {
		return nil, unavailable(err)
	}
	if kept != nil && !c.maySee(kept) {
		return nil, nil
	}
	return kept, nil
}

// maySee reports whether the caller's key is for all sites of a job.
func (c *call) maySee(kept *keptCapture) bool {
	return !slices.ContainsFunc(kept.Sites, func(s string) bool { return !c.key.forSite(s) })
}

// captureJobs lists the jobs that the caller may see, newest first, in pages as the REST binding of
// EPCIS 2.0 has them: perPage, nextPageToken, Link (from memory).
func (c *call) captureJobs() error {
	c.api.epcisHeaders(c.Response().Header())
	per, err := c.intParam("perPage", 30, 1, 1000)
	if err != nil {
		return err
	}
	var after *keptCapture
	if token := c.QueryParam("nextPageToken"); token != "" {
		at, id, ok := strings.Cut(token, "-")
		ms, err := strconv.ParseInt(at, 10, 64)
		if !ok || err != nil {
			return badParam("nextPageToken", "it is none of this route; follow the Link header as it is")
		}
		after = &keptCapture{At: ms, Job: CaptureJob{Job: epcis.Job{ID: id}}}
	}
	order := func(a, b *keptCapture) int { return cmp.Or(cmp.Compare(b.At, a.At), cmp.Compare(a.Job.ID, b.Job.ID)) }
	var list []*keptCapture
	if err := c.api.store.Values(c.Request().Context(), kindCapture, nil, func(v store.Value) error {
		kept := new(keptCapture)
		if err := json.Unmarshal(v.Data, kept); err != nil {
			return err
		}
		if c.maySee(kept) && (after == nil || order(kept, after) > 0) {
			list = append(list, kept)
		}
		return nil
	}); err != nil {
		return unavailable(err)
	}
	slices.SortFunc(list, order)
	if len(list) > per {
		list = list[:per]
		last := list[per-1]
		c.Response().Header().Set("Link", fmt.Sprintf(`</epcis/capture?perPage=%d&nextPageToken=%d-%s>; rel="next"`, per, last.At, last.Job.ID))
	}
	jobs := make([]CaptureJob, 0, len(list))
	for _, kept := range list {
		job, err := c.jobNow(kept)
		if err != nil {
			return err
		}
		jobs = append(jobs, job)
	}
	return c.JSON(http.StatusOK, jobs)
}

func (c *call) captureJob() error {
	c.api.epcisHeaders(c.Response().Header())
	id, err := c.pathValue("id")
	if err != nil {
		return err
	}
	kept, err := c.capturedJob(id)
	if err != nil {
		return err
	}
	if kept == nil {
		return problemf(codeUnknownCapture, "There is no capture job %s.", shown([]byte(id)))
	}
	return c.answerJob(http.StatusOK, kept)
}

// jobNow is a job as it is now: it runs until the last of its entries was worked through.
func (c *call) jobNow(kept *keptCapture) (CaptureJob, error) {
	job := kept.Job
	for site, seq := range kept.Seqs {
		cursor, _, err := c.api.store.Cursor(c.Request().Context(), site)
		if err != nil {
			return job, unavailable(err)
		}
		if cursor < seq {
			job.Running, job.FinishedAt = true, ""
		}
	}
	return job, nil
}

func (c *call) answerJob(status int, kept *keptCapture) error {
	job, err := c.jobNow(kept)
	if err != nil {
		return err
	}
	if status == http.StatusAccepted {
		c.Response().Header().Set("Location", "/epcis/capture/"+job.ID)
	}
	c.Response().Header().Set(epcis.HeaderErrorBehaviour, string(job.ErrorBehaviour))
	return c.JSON(status, job)
}
