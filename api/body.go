package api

import (
	"bytes"
	"io"
	"mime"
	"net/http"
	"strings"
	"sync"

	"github.com/klauspost/compress/gzip"
)

// body is the whole body of a request, inflated.
type body struct {
	b   []byte
	buf *bytes.Buffer // from the pool; nil: not to be given back
}

var buffers = sync.Pool{New: func() any { return new(bytes.Buffer) }}

// maxPooled keeps one large body from holding its memory for ever.
const maxPooled = 1 << 20

func (b body) release() {
	if b.buf != nil && b.buf.Cap() <= maxPooled {
		b.buf.Reset()
		buffers.Put(b.buf)
	}
}

var inflaters sync.Pool

// limitOf is the most bytes that a route takes.
func (a *API) limitOf(r *route) int64 {
	if r.long {
		return a.opt.ProductsLimit
	}
	return a.opt.BodyLimit
}

// readBody reads the body, at most limit bytes of it both as sent and inflated. The result is valid until its release.
func (c *call) readBody(limit int64) (body, error) {
	r, done, err := c.bodyReader(limit)
	if err != nil {
		return body{}, err
	}
	defer done()
	buf := buffers.Get().(*bytes.Buffer)
	out := body{buf: buf}
	if n := c.Request().ContentLength; n > 0 && n <= limit {
		buf.Grow(int(n) + bytes.MinRead)
	}
	if _, err := buf.ReadFrom(r); err != nil {
		out.release()
		return body{}, c.bodyFault(err)
	}
	out.b = buf.Bytes()
	return out, nil
}

// bodyReader returns a reader of the inflated body, which fails past limit bytes.
func (c *call) bodyReader(limit int64) (r io.Reader, done func(), err error) {
	req := c.Request()
	tooLarge := func() error {
		return problemf(codeBodyTooLarge, "The body is larger than %d bytes.", limit).with("limit", limit)
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
			return nil, nil, c.bodyFault(err)
		}
		// A small body can inflate a thousandfold: what counts is what comes out.
		return &limited{r: z, left: limit, over: tooLarge}, func() { inflaters.Put(z) }, nil
	default:
		return nil, nil, problemf(codeUnsupportedEncoding, "The Content-Encoding %s is not known; send the body as it is, or with gzip.", shown([]byte(encoding)))
	}
}

// bodyFault tells a body that is too large from one that is damaged and one that stopped coming.
func (c *call) bodyFault(err error) error {
	p := asProblem(err)
	switch {
	case p.code == codeBodyTooLarge || p.code == codeTimeout:
		return p
	case c.Request().Context().Err() != nil:
		return c.Request().Context().Err()
	case strings.EqualFold(c.Request().Header.Get("Content-Encoding"), "gzip"):
		return problemf(codeInvalidEncoding, "The body is not whole gzip data.").because(err)
	}
	return problemf(codeInvalidBody, "The body ended before it was whole.").because(err)
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

// mediaType returns the body's media type in lower case, without parameters; "" if none is given.
func (c *call) mediaType() (string, error) {
	value := c.Request().Header.Get("Content-Type")
	if value == "" {
		return "", nil
	}
	media, _, err := mime.ParseMediaType(value)
	if err != nil {
		return "", problemf(codeUnsupportedType, "The Content-Type %s is malformed.", shown([]byte(value)))
	}
	return media, nil
}

// wantType checks that the body is of one of the types, the first of which holds where none is given.
func (c *call) wantType(types ...string) (string, error) {
	media, err := c.mediaType()
	if err != nil || media == "" {
		return types[0], err
	}
	for _, t := range types {
		if media == t {
			return t, nil
		}
	}
	return "", problemf(codeUnsupportedType, "The Content-Type %s is not taken here; send %s.", shown([]byte(media)), strings.Join(types, " or ")).with("accepts", types)
}

func withBody(r *http.Request, b []byte) *http.Request {
	r = r.WithContext(r.Context())
	r.Body, r.ContentLength = io.NopCloser(bytes.NewReader(b)), int64(len(b))
	r.Header = r.Header.Clone()
	r.Header.Del("Content-Encoding") // it is inflated already
	return r
}
