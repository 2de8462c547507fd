package deliver

import (
	"bytes"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	reference "github.com/standard-webhooks/standard-webhooks/libraries/go"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The first two come from the test suites of the Standard Webhooks reference libraries
// (github.com/standard-webhooks/standard-webhooks, commit b2fa7b8); the others were computed with
// an independent HMAC.
var signatureVectors = []struct {
	name, secret, id string
	at               int64
	body, want       string
}{
	{"published 1", "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330,
		`{"test": 2432232314}`, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="},
	{"published 2", "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD", "msg_27UH4WbU6Z5A5EzD8u03UvzRbpk", 1649367553,
		`{"email":"test@example.com","username":"test_user"}`, "v1,tZ1I4/hDygAJgO5TYxiSd6Sd0kDW6hPenDe+bTa3Kkw="},
	{"a space removed", testSecret, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, `{"test":2432232314}`,
		"v1,Vif40peJBP7Iyl0XGmu61n4MwdrcHov5CFREBpE0svs="},
	{"one second later", testSecret, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265331, `{"test": 2432232314}`,
		"v1,l6C9/1+N/lSU6+gfh+YEGqTK2aQ+k8nMEWDvvCgHh7U="},
	{"no body", testSecret, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, ``, "v1,v48jdbgvh29KJz2Qc+ghw8G6vG3nAKnujWBg8oM/62A="},
	{"UTF-8", testSecret, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, `{"zone":"Umkleide – Herren"}`,
		"v1,5W9ZNcVrh6nNKBXFxKF2PsJ0YYNKhm2g7wLS2OGTRlY="},
}

func TestSignatureVectors(t *testing.T) {
	for _, v := range signatureVectors {
		t.Run(v.name, func(t *testing.T) {
			now := time.Unix(v.at, 0)
			h, err := Sign([]string{v.secret}, v.id, now, []byte(v.body))
			require.NoError(t, err)
			require.Equal(t, http.Header{"Webhook-Id": {v.id}, "Webhook-Timestamp": {fmt.Sprint(v.at)}, "Webhook-Signature": {v.want}}, h)
			require.NoError(t, Verify([]string{v.secret}, h, []byte(v.body), now, 0))
		})
	}
}

// RFC 4231, section 4: HMAC-SHA-256. The signature is the HMAC of "id.timestamp.body", so the
// vectors are met with a body that starts within the data; those keys that no secret can be are met
// by the standard library alone.
func TestRFC4231(t *testing.T) {
	repeat := func(b byte, n int) []byte { return bytes.Repeat([]byte{b}, n) }
	counting := make([]byte, 25)
	for i := range counting {
		counting[i] = byte(i + 1)
	}
	for i, v := range []struct {
		key, data []byte
		want      string
	}{
		{repeat(0x0b, 20), []byte("Hi There"), "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"},
		{[]byte("Jefe"), []byte("what do ya want for nothing?"), "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"},
		{repeat(0xaa, 20), repeat(0xdd, 50), "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"},
		{counting, repeat(0xcd, 50), "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b"},
		{repeat(0x0c, 20), []byte("Test With Truncation"), "a3b6167473100ee06e0c796c2955552b"},
		{repeat(0xaa, 131), []byte("Test Using Larger Than Block-Size Key - Hash Key First"),
			"60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"},
		{repeat(0xaa, 131), []byte("This is a test using a larger than block-size key and a larger than block-size " +
			"data. The key needs to be hashed before being used by the HMAC algorithm."),
			"9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2"},
	} {
		mac := hmac.New(sha256.New, v.key)
		mac.Write(v.data)
		require.True(t, strings.HasPrefix(hex.EncodeToString(mac.Sum(nil)), v.want), "case %d", i+1)

		// What appendSignature signs, fed to that same, now proven HMAC.
		got := appendSignature(nil, v.key, "msg_1", 1614265330, v.data)
		mac.Reset()
		fmt.Fprintf(mac, "msg_1.%d.%s", 1614265330, v.data)
		require.Equal(t, "v1,"+base64.StdEncoding.EncodeToString(mac.Sum(nil)), string(got), "case %d", i+1)
	}
}

// The reference library of Standard Webhooks takes what Sign makes, with any of the secrets, and
// Verify takes what the library makes.
func TestAgainstReferenceLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		body := rapid.SliceOf(rapid.Byte()).Draw(t, "body")
		id := rapid.StringMatching(`[a-zA-Z0-9_-]{1,40}`).Draw(t, "id")
		secrets := []string{NewSecret(rand.Reader), NewSecret(rand.Reader)}
		now := time.Now()
		h, err := Sign(secrets, id, now, body)
		require.NoError(t, err)
		for _, s := range secrets {
			wh, err := reference.NewWebhook(s)
			require.NoError(t, err)
			require.NoError(t, wh.Verify(body, h))
			require.Error(t, wh.Verify(append(body, ' '), h))

			signature, err := wh.Sign(id, now, body)
			require.NoError(t, err)
			theirs := http.Header{}
			theirs.Set(HeaderID, id)
			theirs.Set(HeaderTimestamp, fmt.Sprint(now.Unix()))
			theirs.Set(HeaderSignature, signature)
			require.NoError(t, Verify([]string{s}, theirs, body, now, 0))
		}
	})
}

// The behaviours that the reference libraries' own tests assert.
func TestVerify(t *testing.T) {
	v := signatureVectors[0]
	now := time.Unix(v.at, 0)
	body := []byte(v.body)
	headers := func(change func(http.Header)) http.Header {
		h, err := Sign([]string{v.secret}, v.id, now, body)
		require.NoError(t, err)
		change(h)
		return h
	}
	same := func(http.Header) {}
	set := func(name, value string) func(http.Header) { return func(h http.Header) { h.Set(name, value) } }
	wrong := "v1,Ceo5qEr07ixe2NLpvHk3FH9bwy/WavXrAFQ/9tdO6mc="
	for _, c := range []struct {
		name    string
		change  func(http.Header)
		secrets []string
		now     time.Time
		want    error
	}{
		{"as sent", same, []string{v.secret}, now, nil},
		{"secret without prefix", same, []string{strings.TrimPrefix(v.secret, SecretPrefix)}, now, nil},
		{"second secret", same, []string{NewSecret(rand.Reader), v.secret}, now, nil},
		{"other secret", same, []string{NewSecret(rand.Reader)}, now, ErrSignature},
		{"no secret", same, nil, now, ErrSignature},
		{"no id", set(HeaderID, ""), []string{v.secret}, now, ErrHeaders},
		{"no timestamp", set(HeaderTimestamp, ""), []string{v.secret}, now, ErrHeaders},
		{"no signature", set(HeaderSignature, ""), []string{v.secret}, now, ErrHeaders},
		{"empty signature", set(HeaderSignature, "v1,"), []string{v.secret}, now, ErrSignature},
		{"other id", set(HeaderID, "msg_2"), []string{v.secret}, now, ErrSignature},
		{"timestamp is no number", set(HeaderTimestamp, "hello"), []string{v.secret}, now, ErrHeaders},
		{"timestamp with a plus", set(HeaderTimestamp, "+1614265330"), []string{v.secret}, now, ErrHeaders},
		{"hostile timestamp", set(HeaderTimestamp, "-9223372036854775808"), []string{v.secret}, now, ErrTime},
		{"hostile timestamp, other side", set(HeaderTimestamp, "9223372036854775807"), []string{v.secret}, now, ErrTime},
		{"among others", set(HeaderSignature, wrong+" v2,"+v.want[3:]+" v1a,xyz "+v.want), []string{v.secret}, now, nil},
		{"unknown version only", set(HeaderSignature, "v2,"+v.want[3:]), []string{v.secret}, now, ErrSignature},
		{"five minutes old", same, []string{v.secret}, now.Add(5 * time.Minute), nil},
		{"older", same, []string{v.secret}, now.Add(5*time.Minute + time.Second), ErrTime},
		{"five minutes early", same, []string{v.secret}, now.Add(-5 * time.Minute), nil},
		{"earlier", same, []string{v.secret}, now.Add(-5*time.Minute - time.Second), ErrTime},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := Verify(c.secrets, headers(c.change), body, c.now, 0)
			if c.want == nil {
				require.NoError(t, err)
			} else {
				require.ErrorIs(t, err, c.want)
			}
		})
	}
	for _, bad := range []string{"", "whsec_", "whsec_AAAA", "whsec_!", "whsec_" + strings.Repeat("A", 88)} {
		require.Error(t, Verify([]string{bad}, headers(same), body, now, 0), "secret %q", bad)
	}
}

func TestNewSecret(t *testing.T) {
	s := NewSecret(bytes.NewReader(bytes.Repeat([]byte{7}, 32)))
	require.Equal(t, "whsec_BwcHBwcHBwcHBwcHBwcHBwcHBwcHBwcHBwcHBwcHBwc=", s)
	require.NotEqual(t, NewSecret(rand.Reader), NewSecret(rand.Reader))
	require.Panics(t, func() { NewSecret(bytes.NewReader(nil)) })
	_, err := decodeSecret(s)
	require.NoError(t, err)
}

func BenchmarkSign(b *testing.B) {
	body := bytes.Repeat([]byte("x"), 1024)
	key, _ := decodeSecret(testSecret)
	now := time.Now()
	b.SetBytes(int64(len(body)))
	b.ReportAllocs()
	for b.Loop() {
		setSignature(http.Header{}, [][]byte{key}, "msg_umberhithe-1-1-1-door-team", now, body)
	}
}
