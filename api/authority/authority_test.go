package authority

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/tls"
	"crypto/x509"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var now = time.Date(2026, 3, 10, 10, 0, 0, 0, time.UTC)

func read(t *testing.T, dir, name string) string {
	b, err := os.ReadFile(filepath.Join(dir, name))
	require.NoError(t, err)
	return string(b)
}

// TestMake: a client that trusts the authority takes the certificate for its names and no other,
// until it ends.
func TestMake(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "certificate")
	made, err := Make(Request{Dir: dir, Names: []string{"Lintel.local", "192.168.1.20", "bücher.lan", "lintel.local", "fd00::7"},
		Days: MaxDays, Now: now})
	require.NoError(t, err)
	require.True(t, made.NewAuthority)
	roots := x509.NewCertPool()
	require.True(t, roots.AppendCertsFromPEM([]byte(read(t, dir, AuthorityCert))))
	pair, err := tls.LoadX509KeyPair(filepath.Join(dir, ServerCert), filepath.Join(dir, ServerKey))
	require.NoError(t, err)
	verify := func(name string, at time.Time) error {
		_, err := pair.Leaf.Verify(x509.VerifyOptions{DNSName: name, Roots: roots, CurrentTime: at})
		return err
	}
	for _, name := range []string{"lintel.local", "192.168.1.20", "xn--bcher-kva.lan", "fd00::7"} {
		require.NoError(t, verify(name, now), name)
	}
	require.Error(t, verify("other.local", now))
	require.NoError(t, verify("lintel.local", now.AddDate(0, 0, 396)))
	require.Error(t, verify("lintel.local", now.AddDate(0, 0, 398)))
	require.LessOrEqual(t, pair.Leaf.NotAfter.Sub(pair.Leaf.NotBefore), 398*24*time.Hour, "browsers refuse what holds longer")
	require.Equal(t, elliptic.P256(), pair.Leaf.PublicKey.(*ecdsa.PublicKey).Curve)
	require.Equal(t, []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, pair.Leaf.ExtKeyUsage)
	require.False(t, pair.Leaf.IsCA)
	for _, name := range []string{AuthorityKey, ServerKey} {
		info, err := os.Stat(filepath.Join(dir, name))
		require.NoError(t, err)
		require.Equal(t, os.FileMode(0o600), info.Mode())
	}
	require.Len(t, Fingerprint(made.Authority), 95)
}

// TestConstraints: what the authority's key signs for a name or an address that it may not vouch
// for is not taken, nor anything by an authority below it.
func TestConstraints(t *testing.T) {
	dir := t.TempDir()
	made, err := Make(Request{Dir: dir, Names: []string{"lintel.shop.example", "203.0.113.9"}, Days: 10, Now: now})
	require.NoError(t, err)
	require.True(t, made.Authority.PermittedDNSDomainsCritical)
	require.True(t, made.Authority.MaxPathLenZero)
	for _, names := range [][]string{{"elsewhere.example"}, {"example"}, {"203.0.113.10"}, {"lintel.local", "elsewhere.example"}} {
		_, err := Make(Request{Dir: dir, Names: names, Days: 10, Now: now, Renew: true})
		require.ErrorContains(t, err, "may not vouch for this", names)
	}
	_, err = Make(Request{Dir: dir, Names: []string{"lintel.shop.example", "203.0.113.9", "10.0.0.7", "till.local"}, Days: 10,
		Now: now, Renew: true})
	require.NoError(t, err)
}

// TestRenew: it is the same authority and key, the names are those from before, and nothing is
// replaced unless that was asked for.
func TestRenew(t *testing.T) {
	dir := t.TempDir()
	first, err := Make(Request{Dir: dir, Names: []string{"lintel.local", "10.0.0.7"}, Days: 10, Now: now})
	require.NoError(t, err)
	before := []string{read(t, dir, AuthorityCert), read(t, dir, AuthorityKey), read(t, dir, ServerCert), read(t, dir, ServerKey)}
	_, err = Make(Request{Dir: dir, Names: []string{"lintel.local"}, Days: 10, Now: now})
	require.ErrorIs(t, err, ErrThere)
	require.Equal(t, before, []string{read(t, dir, AuthorityCert), read(t, dir, AuthorityKey), read(t, dir, ServerCert), read(t, dir,
		ServerKey)})

	later := now.AddDate(0, 6, 0)
	second, err := Make(Request{Dir: dir, Days: 30, Now: later, Renew: true})
	require.NoError(t, err)
	require.False(t, second.NewAuthority)
	require.Equal(t, before[:2], []string{read(t, dir, AuthorityCert), read(t, dir, AuthorityKey)})
	require.Equal(t, before[3], read(t, dir, ServerKey))
	require.NotEqual(t, first.Server.SerialNumber, second.Server.SerialNumber)
	require.Equal(t, first.Server.DNSNames, second.Server.DNSNames)
	require.Equal(t, first.Server.IPAddresses[0].String(), second.Server.IPAddresses[0].String())
	require.Equal(t, later.AddDate(0, 0, 30), second.Server.NotAfter.UTC())
	require.NoFileExists(t, filepath.Join(dir, ServerCert+".new"))

	end, err := Make(Request{Dir: dir, Days: MaxDays, Now: now.AddDate(authorityYears, 0, -30), Renew: true})
	require.NoError(t, err)
	require.Equal(t, end.Authority.NotAfter, end.Server.NotAfter, "it does not outlive its authority")
	_, err = Make(Request{Dir: dir, Days: 10, Now: now.AddDate(authorityYears, 0, 1), Renew: true})
	require.ErrorContains(t, err, "ended on 2036-03-10")
}

func TestWrongRequests(t *testing.T) {
	for want, req := range map[string]Request{
		"holds for 1 to 397 days, not 398":  {Days: 398, Names: []string{"a.local"}},
		"holds for 1 to 397 days, not 0":    {Names: []string{"a.local"}},
		"there are 0":                       {Days: 10},
		"there are 101":                     {Days: 10, Names: make([]string, 101)},
		`"https://a.local" is neither`:      {Days: 10, Names: []string{"https://a.local"}},
		`"a.local:8470" is neither`:         {Days: 10, Names: []string{"a.local:8470"}},
		`"*.local" is neither`:              {Days: 10, Names: []string{"*.local"}},
		`"192.168.1" is neither`:            {Days: 10, Names: []string{"192.168.1"}},
		"nobody reaches a server by the ad": {Days: 10, Names: []string{"0.0.0.0"}},
		"no certificate to renew":           {Days: 10, Names: []string{"a.local"}, Renew: true},
	} {
		req.Dir, req.Now = t.TempDir(), now
		_, err := Make(req)
		require.ErrorContains(t, err, want)
		list, err := os.ReadDir(req.Dir)
		require.NoError(t, err)
		require.Empty(t, list)
	}
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, AuthorityKey), []byte("somebody's"), 0o600))
	_, err := Make(Request{Dir: dir, Days: 10, Names: []string{"a.local"}, Now: now})
	require.ErrorIs(t, err, os.ErrExist, "a key that lies there is not written over")
}
