package kit

import (
	"bytes"
	"io"
	"net/http"
	"strings"
	"sync"

	"github.com/klauspost/compress/gzip"
)

// Body is the whole body of a request, inflated.
type Body struct {
	B   []byte
	buf *bytes.Buffer // from the pool; nil: not to be given back
}

var buffers = sync.Pool{New: func() any { return new(bytes.Buffer) }}

// maxPooled keeps one large body from holding its memory for ever.
const maxPooled = 1 << 20

// Release gives the memory back: B must not be used any more.
func (b Body) Release() {
	if b.buf != nil && b.buf.Cap() <= maxPooled {
		b.buf.Reset()
		buffers.Put(b.buf)
	}
}

var inflaters sync.Pool

// BodyLimit is the most bytes that the route takes.
func (c *Call) BodyLimit() int64 {
	if c.Route.Long {
		return c.server.opt.LongBodyLimit
	}
	return c.server.opt.BodyLimit
}

// ReadBody reads the body, at most limit bytes of it both as sent and inflated. The result is valid
// until its release.
func (c *Call) ReadBody(limit int64) (Body, error) {
	r, done, err := c.BodyReader(limit)
	if err != nil {
		return Body{}, err
	}
	defer done()
	buf := buffers.Get().(*bytes.Buffer)
	out := Body{buf: buf}
	if n := c.Request().ContentLength; n > 0 && n <= limit {
		buf.Grow(int(n) + bytes.MinRead)
	}
	if _, err := buf.ReadFrom(r); err != nil {
		out.Release()
		return Body{}, c.BodyFault(err)
	}
	out.B = buf.Bytes()
	return out, nil
}

// BodyReader returns a reader of the inflated body, which fails past limit bytes.
func (c *Call) BodyReader(limit int64) (r io.Reader, done func(), err error) {
	req := c.Request()
	tooLarge := func() error {
		return Problemf(CodeBodyTooLarge, "The body is larger than %d bytes.", limit).With("limit", limit)
	}
	if req.ContentLength > limit {
		return nil, nil, tooLarge()
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
			return nil, nil, c.BodyFault(err)
		}
		// A small body can inflate a thousandfold: what counts is what comes out.
		return &limited{r: z, left: limit, over: tooLarge}, func() { inflaters.Put(z) }, nil
	default:
		return nil, nil, Problemf(CodeUnsupportedEncoding, "The Content-Encoding %s is not known; send the body as "+
			"it is, or with gzip.", Shown([]byte(encoding)))
	}
}

// BodyFault tells a body that is too large from one that is damaged and one that stopped coming.
func (c *Call) BodyFault(err error) error {
	p := AsProblem(err)
	switch {
	case p.Code == CodeBodyTooLarge || p.Code == CodeTimeout:
		return p
	case c.Request().Context().Err() != nil:
		return c.Request().Context().Err()
	case strings.EqualFold(c.Request().Header.Get("Content-Encoding"), "gzip"):
		return Problemf(CodeInvalidEncoding, "The body is not whole gzip data.").Because(err)
	}
	return Problemf(CodeInvalidBody, "The body ended before it was whole.").Because(err)
}

// limited fails with over() once more than left bytes were read.
type limited struct {
	r    io.Reader
	left int64
	over func() error
}

func (l *limited) Read(p []byte) (int, error) {
	if int64(len(p)) > l.left+1 {
		p = p[:l.left+1]
	}
	n, err := l.r.Read(p)
	if int64(n) > l.left {
		return 0, l.over()
	}
	l.left -= int64(n)
	return n, err
}

func withBody(r *http.Request, b []byte) *http.Request {
	r = r.WithContext(r.Context())
	r.Body, r.ContentLength = io.NopCloser(bytes.NewReader(b)), int64(len(b))
	r.Header = r.Header.Clone()
	r.Header.Del("Content-Encoding") // it is inflated already
	return r
}
