package redisstore

import (
	"bytes"
	"context"
	"errors"
	"io"
	"slices"
	"strconv"

	"github.com/redis/go-redis/v9"
)

// message is one entry of a stream.
type message struct{ id, data []byte }

// stream reads pieces of a stream. The messages of one piece are parts of its buffer.
//
// The client's own reading of a stream makes a map and several strings for each entry, which is
// most of the work of a listing, so the reply is taken as it comes and cut up here.
type stream struct {
	buf      buffer
	messages []message
}

// read returns up to n entries, which are good until the next read unless buf.b is replaced before
// it.
func (st *stream) read(ctx context.Context, client redis.UniversalClient, key, start, end string, n int) ([]message, error) {
	st.buf.b = st.buf.b[:0]
	cmd := redis.NewRawWriteToCmd(ctx, &st.buf, "xrange", key, start, end, "count", n)
	if err := client.Process(ctx, cmd); err != nil {
		return nil, err
	}
	var err error
	if len(st.buf.b) == 0 || st.buf.b[0] != '-' {
		st.messages, err = parseStream(st.messages[:0], st.buf.b)
		return st.messages, err
	}
	// An error, perhaps one that sends a cluster's client to another node: that the client knows
	// how to deal with.
	list, err := client.XRangeN(ctx, key, start, end, int64(n)).Result()
	if err != nil {
		return nil, err
	}
	st.messages = st.messages[:0]
	for i := range list {
		text, _ := list[i].Values[field].(string)
		st.messages = append(st.messages, message{[]byte(list[i].ID), []byte(text)})
	}
	return st.messages, nil
}

// buffer collects a reply.
type buffer struct {
	b        []byte
	perEntry int // about what an entry takes, to make room for the whole reply once its head says how many there are
}

// Write implements io.Writer.
func (b *buffer) Write(p []byte) (int, error) {
	if len(b.b) == 0 && len(p) > 1 && p[0] == '*' {
		if n, err := strconv.Atoi(string(p[1:])); err == nil && n > 0 {
			b.b = slices.Grow(b.b, min(readBytes, n*b.perEntry))
		}
	}
	b.b = append(b.b, p...)
	return len(p), nil
}

// ReadFrom implements io.ReaderFrom, so that the client copies a value of known length straight
// into its place.
func (b *buffer) ReadFrom(r io.Reader) (int64, error) {
	known, ok := r.(*io.LimitedReader)
	if !ok {
		all, err := io.ReadAll(r)
		b.b = append(b.b, all...)
		return int64(len(all)), err
	}
	old := len(b.b)
	b.b = slices.Grow(b.b, int(known.N))
	n, err := io.ReadFull(known, b.b[old:old+int(known.N)])
	b.b = b.b[:old+n]
	return int64(n), err
}

var errStream = errors.New("a reply of Redis can't be read, or something else writes to the stream")

// parseStream cuts up the reply to XRANGE, an array of arrays of an id and an array of one field
// and its value, and appends what it holds.
func parseStream(messages []message, raw []byte) ([]message, error) {
	r := resp{rest: raw}
	n := r.count('*')
	if r.failed || n > len(raw)/16 { // no entry takes less
		return nil, errStream
	}
	messages = slices.Grow(messages, n)
	for range n {
		if r.count('*') != 2 {
			return nil, errStream
		}
		id := r.bulk()
		if r.count('*') != 2 {
			return nil, errStream
		}
		name, data := r.bulk(), r.bulk()
		if r.failed || string(name) != field {
			return nil, errStream
		}
		messages = append(messages, message{id, data})
	}
	if len(r.rest) > 0 {
		return nil, errStream
	}
	return messages, nil
}

// resp reads the Redis protocol from memory.
type resp struct {
	rest   []byte
	failed bool
}

// count reads a line of one letter and a number.
func (r *resp) count(letter byte) int {
	line, rest, found := bytes.Cut(r.rest, []byte("\r\n"))
	if !found || len(line) < 2 || line[0] != letter {
		r.failed = true
		return 0
	}
	n, err := strconv.ParseUint(string(line[1:]), 10, 31)
	if err != nil {
		r.failed = true
		return 0
	}
	r.rest = rest
	return int(n)
}

// bulk reads a string of bytes.
func (r *resp) bulk() []byte {
	n := r.count('$')
	if r.failed || len(r.rest) < n+2 || r.rest[n] != '\r' || r.rest[n+1] != '\n' {
		r.failed = true
		return nil
	}
	b := r.rest[:n:n]
	r.rest = r.rest[n+2:]
	return b
}
