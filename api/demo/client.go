package demo

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"lintel/api"
)

// client talks to Lintel as an integrator's program does.
type client struct {
	http *http.Client
	base string
}

// refusal is an answer that is no success.
type refusal struct {
	status int
	what   string
}

func (r *refusal) Error() string { return r.what }

// do sends one request and returns the body of the answer.
func (c *client) do(ctx context.Context, method, path, key, mediaType, idempotencyKey string, body []byte) ([]byte, error) {
	req, err := http.NewRequestWithContext(ctx, method, c.base+path, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	req.Header.Set("Authorization", "Bearer "+key)
	if mediaType != "" {
		req.Header.Set("Content-Type", mediaType)
	}
	if idempotencyKey != "" {
		req.Header.Set("Idempotency-Key", idempotencyKey)
	}
	res, err := c.http.Do(req)
	if err != nil {
		return nil, err
	}
	defer res.Body.Close()
	answer, err := io.ReadAll(res.Body)
	if err != nil {
		return nil, fmt.Errorf("%s %s: %w", method, path, err)
	}
	if res.StatusCode/100 != 2 {
		return nil, &refusal{res.StatusCode, fmt.Sprintf("%s %s: %s: %s", method, path, res.Status, bytes.TrimSpace(answer))}
	}
	return answer, nil
}

// get asks a question.
func (c *client) get(ctx context.Context, path, key string, into any) error {
	b, err := c.do(ctx, http.MethodGet, path, key, "", "", nil)
	if err != nil {
		return err
	}
	return json.Unmarshal(b, into)
}

// put stores a document.
func (c *client) put(ctx context.Context, path, key, mediaType string, body []byte, into any) error {
	b, err := c.do(ctx, http.MethodPut, path, key, mediaType, "", body)
	if err != nil {
		return err
	}
	return json.Unmarshal(b, into)
}

// Tries of one message to the server: with its Idempotency-Key it counts once, however often it is
// sent.
const (
	postTries = 6
	postPause = 50 * time.Millisecond
)

// post hands a message over, and sends it again when no answer came or the server could not take
// it.
func (c *client) post(ctx context.Context, path, key, idempotencyKey string, body []byte) (api.BatchAnswer, error) {
	var answer api.BatchAnswer
	for try := 1; ; try++ {
		b, err := c.do(ctx, http.MethodPost, path, key, "application/json", idempotencyKey, body)
		if err == nil {
			return answer, json.Unmarshal(b, &answer)
		}
		var r *refusal
		if ctx.Err() != nil || try == postTries || errors.As(err, &r) && r.status < 500 {
			return answer, err
		}
		select {
		case <-ctx.Done():
			return answer, ctx.Err()
		case <-time.After(postPause << try):
		}
	}
}

// site returns how the shop is doing.
func (c *client) site(ctx context.Context, key string) (api.SiteView, error) {
	var list api.SiteList
	if err := c.get(ctx, "/v1/sites?site="+site, key, &list); err != nil {
		return api.SiteView{}, err
	}
	if len(list.Sites) == 0 {
		return api.SiteView{}, errors.New("the site " + site + " is not listed")
	}
	return list.Sites[0], nil
}

// items returns every item in the zone, "": of the site, page by page.
func (c *client) items(ctx context.Context, key, zone string) ([]api.ItemView, error) {
	var all []api.ItemView
	for cursor := ""; ; {
		var page api.ItemList
		if err := c.get(ctx, "/v1/sites/"+site+"/items?limit=1000&zone="+zone+"&cursor="+url.QueryEscape(cursor), key, &page); err != nil {
			return nil, err
		}
		all = append(all, page.Items...)
		if cursor = page.Next; cursor == "" {
			return all, nil
		}
	}
}

// pending returns how many deliveries wait or are under way.
func (c *client) pending(ctx context.Context, key string) (int, error) {
	var list api.DeliveryList
	err := c.get(ctx, "/v1/deliveries?status=pending&limit=1000&site="+site, key, &list)
	return len(list.Deliveries), err
}

// metric adds up a metric over its labels.
func (c *client) metrics(ctx context.Context, key string, names ...string) (map[string]float64, error) {
	b, err := c.do(ctx, http.MethodGet, "/metrics", key, "", "", nil)
	if err != nil {
		return nil, err
	}
	sums := make(map[string]float64, len(names))
	for line := range strings.Lines(string(b)) {
		for _, name := range names {
			rest, ok := strings.CutPrefix(line, name)
			if !ok || rest[0] != '{' && rest[0] != ' ' {
				continue
			}
			v, err := strconv.ParseFloat(strings.TrimSpace(rest[strings.LastIndexByte(rest, ' ')+1:]), 64)
			if err != nil {
				return nil, fmt.Errorf("metric %s: %w", name, err)
			}
			sums[name] += v
		}
	}
	return sums, nil
}
