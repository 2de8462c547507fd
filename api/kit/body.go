package kit

import (
	"context"
	"errors"
	"io"
	"net/http"
	"os"
	"strings"
	"sync"

	"github.com/klauspost/compress/gzip"
)

// Body is the whole body of a request, inflated.
type Body struct {
	B      []byte
	memory *bodyMemory // that it is reserved of; nil: it is not to be given back
	key    string      // whose it is
}

// buffers holds small buffers, the pointers to them.
var buffers sync.Pool

const (
	firstBuffer = 4 << 10
	maxPooled   = 256 << 10 // keeps one large body from holding its memory for ever
)

// Release gives the memory back: B must not be used any more.
func (b Body) Release() {
	if b.memory == nil {
		return
	}
	b.memory.give(b.key, int64(cap(b.B)))
	if small := b.B[:0]; cap(small) <= maxPooled {
		buffers.Put(&small)
	}
}

// grow makes room for more, size bytes in all.
func (b *Body) grow(size int64) error {
	if !b.memory.take(b.key, size-int64(cap(b.B))) {
		return Problemf(CodeBusy, "The server has as many bodies in memory as it may, of this key or of all. Nothing was taken; try again.")
	}
	b.B = append(make([]byte, 0, size), b.B...)
	return nil
}

var inflaters sync.Pool

// BodyLimit is the most bytes that the route takes.
func (c *Call) BodyLimit() int64 {
	if c.Route.Long {
		return c.server.opt.LongBodyLimit
	}
	return c.server.opt.BodyLimit
}

// ReadBody reads the body, at most limit bytes of it both as sent and inflated. Its memory is taken
// from what all requests have together, as it grows: what is announced counts for nothing. The result
// is valid until its release.
func (c *Call) ReadBody(limit int64) (Body, error) {
	if c.held != nil {
		if int64(len(c.held)) > limit {
			return Body{}, tooLarge(limit)
		}
		return Body{B: c.held}, nil
	}
	r, done, err := c.bodyReader(limit)
	if err != nil {
		return Body{}, err
	}
	defer done()
	b := Body{memory: &c.server.memory}
	if c.Key != nil {
		b.key = c.Key.Owner()
	}
	if small, _ := buffers.Get().(*[]byte); small != nil && b.memory.take(b.key, int64(cap(*small))) {
		b.B = *small
	} else if err := b.grow(firstBuffer); err != nil {
		return Body{}, err
	}
	ctx := c.Request().Context()
	waits(ctx, true)
	defer waits(ctx, false)
	for {
		if len(b.B) == cap(b.B) {
			waits(ctx, true) // what keeps coming hasn't waited for long
			if err := b.grow(max(int64(len(b.B))+1, min(2*int64(cap(b.B)), limit+1))); err != nil {
				b.Release()
				return Body{}, err
			}
		}
		n, err := r.Read(b.B[len(b.B):cap(b.B)])
		b.B = b.B[:len(b.B)+n]
		switch {
		case err == io.EOF:
			if c.Route.Stream {
				c.keepReading()
			}
			return b, nil
		case err != nil:
			b.Release()
			return Body{}, c.bodyFault(err)
		}
	}
}

func tooLarge(limit int64) error {
	return Problemf(CodeBodyTooLarge, "The body is larger than %d bytes.", limit).With("limit", limit)
}

// bodyReader returns a reader of the inflated body, which fails past limit bytes.
func (c *Call) bodyReader(limit int64) (r io.Reader, done func(), err error) {
	req := c.Request()
	if req.ContentLength > limit {
		return nil, nil, tooLarge(limit)
	}
	raw := http.MaxBytesReader(c.Response(), req.Body, limit)
	switch encoding := strings.ToLower(strings.TrimSpace(req.Header.Get("Content-Encoding"))); encoding {
	case "", "identity":
		return raw, func() {}, nil
	case "gzip":
		z, _ := inflaters.Get().(*gzip.Reader)
		if z == nil {
			z = new(gzip.Reader)
		}
		if err := z.Reset(raw); err != nil {
			return nil, nil, c.bodyFault(err)
		}
		// A small body can inflate a thousandfold: what counts is what comes out.
		return &limited{r: z, left: limit, max: limit}, func() { inflaters.Put(z) }, nil
	default:
		return nil, nil, Problemf(CodeUnsupportedEncoding, "The Content-Encoding %s is not known; send the body as "+
			"it is, or with gzip.", Shown([]byte(encoding)))
	}
}

// bodyFault tells a body that is too large from one that is damaged, one that ended early and one
// that did not come in time. Of none of them anything is taken.
func (c *Call) bodyFault(err error) error {
	p := AsProblem(err)
	switch {
	case p.Code == CodeBodyTooLarge:
		return p
	case errors.Is(err, os.ErrDeadlineExceeded), errors.Is(c.Ctx().Err(), context.DeadlineExceeded):
		return Problemf(CodeTimeout, "The body did not come in time. Nothing was taken.").Because(err)
	case c.Ctx().Err() == nil && strings.EqualFold(c.Request().Header.Get("Content-Encoding"), "gzip"):
		return Problemf(CodeInvalidEncoding, "The body is not whole gzip data.").Because(err)
	}
	return Problemf(CodeInvalidBody, "The body ended before it was whole. Nothing was taken.").Because(err)
}

// limited fails once more than max bytes were read.
type limited struct {
	r         io.Reader
	left, max int64
}

func (l *limited) Read(p []byte) (int, error) {
	if int64(len(p)) > l.left+1 {
		p = p[:l.left+1]
	}
	n, err := l.r.Read(p)
	if int64(n) > l.left {
		return 0, tooLarge(l.max)
	}
	l.left -= int64(n)
	return n, err
}
