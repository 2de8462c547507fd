package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"time"

	"lintel/api/client"
)

// healthCmd asks a server whether it is ready. It serves as the probe of a container that has no
// shell and no curl.
type healthCmd struct {
	Server string        `help:"Address of the server." default:"http://127.0.0.1:8470" env:"LINTEL_SERVER" placeholder:"URL"`
	Live   bool          `help:"Ask only whether the process runs, not whether its store can serve and its sites are worked."`
	Wait   time.Duration `help:"How long to wait for it."`
}

// How long one request may take, and the pause between two.
const (
	healthPatience = 4 * time.Second
	healthPause    = 100 * time.Millisecond
)

// Run ends with 0 if the server is well, and with 1 and the reason if it is not.
func (c *healthCmd) Run(s *streams) error {
	cl, err := client.New(c.Server, "")
	if err != nil {
		return err
	}
	defer cl.Close()
	path := "/readyz"
	if c.Live {
		path = "/healthz"
	}
	ask := func() error {
		ctx, cancel := context.WithTimeout(s.ctx, healthPatience)
		defer cancel()
		res, err := cl.Do(ctx, http.MethodGet, path, nil, nil)
		if err != nil {
			return err
		}
		defer res.Body.Close()
		_, err = io.Copy(s.out, io.LimitReader(res.Body, 1<<10))
		return err
	}
	for until := time.Now().Add(c.Wait); ; {
		err := ask()
		if err == nil {
			return nil
		}
		if s.ctx.Err() != nil || !time.Now().Add(healthPause).Before(until) {
			fmt.Fprintln(s.err, "lintel:", err)
			return errRefused
		}
		select {
		case <-s.ctx.Done():
		case <-time.After(healthPause):
		}
	}
}
