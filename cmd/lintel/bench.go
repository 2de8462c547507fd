package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"lintel/api/bench"
	"lintel/engine"
	"lintel/engine/store"
)

type benchCmd struct {
	Redis   string        `help:"URL of an empty Redis server." required:"" env:"LINTEL_BENCH_REDIS" placeholder:"URL"`
	Items   int           `help:"Items in the shop." default:"100000"`
	Rules   int           `help:"Rules that are live." default:"100"`
	Each    time.Duration `help:"How long each part is measured." default:"10s"`
	Clients int           `help:"Connections that post batches." default:"4"`
}

func (c *benchCmd) Run(s *streams) error {
	_, err := bench.Run(s.ctx, bench.Options{Redis: c.Redis, Items: c.Items, Rules: c.Rules, Each: c.Each, Clients: c.Clients, Out: s.out})
	return err
}

type moveCmd struct {
	FromData  string `help:"Directory of the embedded store to copy from." type:"path" placeholder:"DIR" xor:"from" required:""`
	FromRedis string `help:"URL of the Redis store to copy from." placeholder:"URL" xor:"from" required:""`
	ToData    string `help:"Directory of the embedded store to copy to." type:"path" placeholder:"DIR" xor:"to" required:""`
	ToRedis   string `help:"URL of the Redis store to copy to." placeholder:"URL" xor:"to" required:""`
}

func (c *moveCmd) Run(s *streams) error {
	return withStore(s, storeFlags{Data: c.FromData, Redis: c.FromRedis}, true, func(ctx context.Context, from store.Store) error {
		return withStore(s, storeFlags{Data: c.ToData, Redis: c.ToRedis}, false, func(ctx context.Context, to store.Store) error {
			docs, err := from.ListDocuments(ctx, engine.LayoutDocument(""))
			if err != nil {
				return err
			}
			var sites []string
			for _, d := range docs {
				sites = append(sites, strings.TrimPrefix(d.Name, engine.LayoutDocument("")))
			}
			n, err := store.Copy(ctx, from, to, sites)
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(s.out, "copied %d sites: %d documents, %d journal entries, %d records, %d facts, %d values\n",
				n.Sites, n.Documents, n.Entries, n.Records, n.Facts, n.Values)
			return err
		})
	})
}
