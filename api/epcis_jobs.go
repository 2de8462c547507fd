package api

import (
	"cmp"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"lintel/api/kit"
	"lintel/engine/epcis"
	"lintel/engine/store"
)

// keepCapture puts a job on record, and drops those that are too old.
func (h *epcisRoutes) keepCapture(c *kit.Call, id string, kept *keptCapture) error {
	ctx := c.Ctx()
	_, err := h.store.SetValues(ctx, store.Value{Kind: kindCapture, Key: id, Data: kit.MustJSON(kept), Revision: store.AnyRevision})
	if err != nil {
		return err
	}
	if _, due := h.captures.Due("", h.opt.Now()); !due {
		return err
	}
	err = kit.DropValues(ctx, h.store, kindCapture, func(data []byte) bool {
		var k keptCapture
		return json.Unmarshal(data, &k) != nil || kept.At-k.At > captureKeep.Milliseconds()
	})
	if err != nil {
		h.log.Warn("old capture jobs could not be dropped; will try again in an hour", "err", err)
	}
	return nil
}

// capturedJob returns a job that the caller may see, nil if there is none.
func (h *epcisRoutes) capturedJob(c *kit.Call, id string) (*keptCapture, error) {
	if len(id) != 32 {
		return nil, nil
	}
	kept, err := record(h.values(c.Ctx(), kindCapture, id), fromJSON[keptCapture])
	if err != nil {
		return nil, err
	}
	if kept != nil && !maySee(c, kept) {
		return nil, nil
	}
	return kept, nil
}

// maySee reports whether the caller's key is for all sites of a job.
func maySee(c *kit.Call, kept *keptCapture) bool {
	return !slices.ContainsFunc(kept.Sites, func(s string) bool { return !c.Key.ForSite(s) })
}

// captureJobs lists the jobs that the caller may see, newest first, in pages as the REST binding of
// EPCIS 2.0 has them: perPage, nextPageToken, Link (from memory).
func (h *epcisRoutes) captureJobs(c *kit.Call) error {
	h.epcisHeaders(c.Response().Header())
	per := c.Int("perPage")
	var after *keptCapture
	if token := c.QueryParam("nextPageToken"); token != "" {
		at, id, ok := strings.Cut(token, "-")
		ms, err := strconv.ParseInt(at, 10, 64)
		if !ok || err != nil {
			return kit.BadParam("nextPageToken", "it is none of this route; follow the Link header as it is")
		}
		after = &keptCapture{At: ms, Job: CaptureJob{Job: epcis.Job{ID: id}}}
	}
	order := func(a, b *keptCapture) int { return cmp.Or(cmp.Compare(b.At, a.At), cmp.Compare(a.Job.ID, b.Job.ID)) }
	var list []*keptCapture
	err := scan(h.values(c.Ctx(), kindCapture), fromJSON[keptCapture], func() { list = nil }, func(kept *keptCapture) {
		if maySee(c, kept) && (after == nil || order(kept, after) > 0) {
			list = append(list, kept)
		}
	})
	if err != nil {
		return unavailable(err)
	}
	slices.SortFunc(list, order)
	if len(list) > per {
		list = list[:per]
		last := list[per-1]
		c.Response().Header().Set("Link", fmt.Sprintf(`</epcis/capture?perPage=%d&nextPageToken=%d-%s>; rel="next"`,
			per, last.At, last.Job.ID))
	}
	jobs := make([]CaptureJob, 0, len(list))
	for _, kept := range list {
		job, err := h.jobNow(c, kept)
		if err != nil {
			return err
		}
		jobs = append(jobs, job)
	}
	return c.JSON(http.StatusOK, jobs)
}

func (h *epcisRoutes) captureJob(c *kit.Call) error {
	h.epcisHeaders(c.Response().Header())
	id := c.PathParam("id")
	kept, err := h.capturedJob(c, id)
	if err != nil {
		return err
	}
	if kept == nil {
		return kit.Problemf(codeUnknownCapture, "There is no capture job %s.", kit.Shown([]byte(id)))
	}
	return h.answerJob(c, http.StatusOK, kept)
}

// jobNow is a job as it is now: it runs until the last of its entries was worked through.
func (h *epcisRoutes) jobNow(c *kit.Call, kept *keptCapture) (CaptureJob, error) {
	job := kept.Job
	for site, seq := range kept.Seqs {
		cursor, _, err := h.store.Cursor(c.Ctx(), site)
		if err != nil {
			return job, unavailable(err)
		}
		if cursor < seq {
			job.Running, job.FinishedAt = true, ""
		}
	}
	return job, nil
}

func (h *epcisRoutes) answerJob(c *kit.Call, status int, kept *keptCapture) error {
	job, err := h.jobNow(c, kept)
	if err != nil {
		return err
	}
	if status == http.StatusAccepted {
		c.Response().Header().Set("Location", "/epcis/capture/"+job.ID)
	}
	c.Response().Header().Set(epcis.HeaderErrorBehaviour, string(job.ErrorBehaviour))
	return c.JSON(status, job)
}
