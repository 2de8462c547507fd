package demo

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"time"

	"lintel/api"
)

// listen follows the live stream until ctx ends, and comes back with the last id when it breaks.
// opened is called when the first stream is open.
func (c *client) listen(ctx context.Context, key string, opened func(), fact func(*api.FactView), alert func(*api.AlertChangeView)) error {
	last := ""
	for failures := 0; ctx.Err() == nil; {
		err := c.listenOnce(ctx, key, &last, func() { failures = 0; opened() }, fact, alert)
		if ctx.Err() != nil {
			break
		}
		if failures++; err != nil && failures > 5 {
			return fmt.Errorf("live stream: %w", err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(100 * time.Millisecond):
		}
	}
	return nil
}

func (c *client) listenOnce(ctx context.Context, key string, last *string, opened func(), fact func(*api.FactView),
	alert func(*api.AlertChangeView)) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, c.base+"/v1/sites/"+site+"/live", nil)
	if err != nil {
		return err
	}
	req.Header.Set("Authorization", "Bearer "+key)
	if *last != "" {
		req.Header.Set("Last-Event-ID", *last)
	}
	res, err := c.http.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return fmt.Errorf("the server answered %s", res.Status)
	}
	opened()
	lines := bufio.NewScanner(res.Body)
	lines.Buffer(nil, 1<<20)
	var name, id, data string
	for lines.Scan() {
		field, value, _ := strings.Cut(lines.Text(), ":")
		value = strings.TrimPrefix(value, " ")
		switch field {
		case "event":
			name = value
		case "id":
			id = value
		case "data":
			data = value // Lintel writes one line of data
		case "": // an empty line ends an event; a comment begins with the colon
			if lines.Text() != "" || data == "" {
				break
			}
			switch name {
			case "fact":
				var v api.FactView
				if err := json.Unmarshal([]byte(data), &v); err != nil {
					return err
				}
				fact(&v)
				*last = id
			case "alert":
				var v api.AlertChangeView
				if err := json.Unmarshal([]byte(data), &v); err != nil {
					return err
				}
				alert(&v)
			}
			name, id, data = "", "", ""
		}
	}
	return lines.Err()
}
