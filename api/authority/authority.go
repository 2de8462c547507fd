// Package authority makes a shop's own certificate authority, and the certificate by which its
// server proves who it is. It is for servers that no public authority can reach to prove them:
// devices are made to trust the shop's own one instead (deploy/TRUST.md).
//
// A directory holds all of it:
//
//	authority.crt  what devices are made to trust; no secret
//	authority.key  its key, readable by its owner alone: who has it can pass for any name that the authority may vouch for
//	server.crt     for lintel serve --tls-cert
//	server.key     for lintel serve --tls-key
//
// The authority may vouch for the names that it was made with, for names that exist in private
// networks alone, and for private addresses (name constraints: RFC 5280, section 4.2.1.10), so that
// its key is worth nothing against any other site. Keys are ECDSA P-256. A certificate holds for at
// most 397 days, as long as browsers accept any (common practice, no source), and is renewed from
// the same authority with the same key, so that devices need not learn anything.
package authority

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/net/idna"
)

// Names of the files.
const (
	AuthorityCert = "authority.crt"
	AuthorityKey  = "authority.key"
	ServerCert    = "server.crt"
	ServerKey     = "server.key"
)

// Bounds.
const (
	MaxDays  = 397 // of a server's certificate
	MaxNames = 100

	authorityYears = 10
	behind         = time.Hour // how far the clock of a device may be behind
)

// Private domains, which no public authority vouches for: .local (RFC 6762), .home.arpa (RFC 8375),
// .localhost (RFC 6761), .internal (reserved by ICANN, 2024), .lan (common practice, no source).
var privateDomains = []string{"localhost", "local", "home.arpa", "internal", "lan"}

// Private and loopback addresses (RFC 1918, RFC 4193, RFC 4291, RFC 3927).
var privateRanges = []string{"10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "127.0.0.0/8", "169.254.0.0/16", "fc00::/7",
	"fe80::/10", "::1/128"}

// Request says what to make.
type Request struct {
	Dir   string    // of the files; made if it is not there
	Names []string  // host names and IP addresses; none: those of the certificate that is renewed
	Days  int       // how long the certificate holds, at most MaxDays
	Renew bool      // replace the certificate that is there
	Now   time.Time // when it is made
}

// Made is what was made.
type Made struct {
	Authority, Server *x509.Certificate
	NewAuthority      bool
}

// Errors of Make.
var (
	ErrThere   = errors.New("there is a certificate already")
	ErrNothing = errors.New("there is no certificate to renew")
)

// Fingerprint returns the SHA-256 of a certificate as devices show it, to be compared by eye.
func Fingerprint(c *x509.Certificate) string {
	return strings.ReplaceAll(fmt.Sprintf("% X", sha256.Sum256(c.Raw)), " ", ":")
}

// Make makes a certificate, and first the authority if the directory has none. It replaces nothing
// but, with Renew, the certificate of the server.
func Make(req Request) (Made, error) {
	if req.Days < 1 || req.Days > MaxDays {
		return Made{}, fmt.Errorf("a certificate holds for 1 to %d days, not %d: browsers refuse longer ones", MaxDays, req.Days)
	}
	file := func(name string) string { return filepath.Join(req.Dir, name) }
	old, err := readCert(file(ServerCert))
	switch {
	case err == nil && !req.Renew:
		return Made{}, fmt.Errorf("%w: %s, until %s", ErrThere, file(ServerCert), old.NotAfter.Format(time.DateOnly))
	case errors.Is(err, fs.ErrNotExist) && req.Renew:
		return Made{}, fmt.Errorf("%w: %s", ErrNothing, file(ServerCert))
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return Made{}, err
	}
	if old != nil && len(req.Names) == 0 {
		req.Names = namesOf(old)
	}
	hosts, addrs, err := parseNames(req.Names)
	if err != nil {
		return Made{}, err
	}
	if err := os.MkdirAll(req.Dir, 0o700); err != nil {
		return Made{}, err
	}
	var made Made
	made.Authority, made.NewAuthority, err = openAuthority(file, hosts, addrs, req.Now)
	if err != nil {
		return Made{}, err
	}
	issuer, err := readKey(file(AuthorityKey))
	if err != nil {
		return Made{}, err
	}
	key, err := readKey(file(ServerKey))
	if errors.Is(err, fs.ErrNotExist) {
		key, err = newKey(file(ServerKey))
	}
	if err != nil {
		return Made{}, err
	}
	until := req.Now.AddDate(0, 0, req.Days)
	if until.After(made.Authority.NotAfter) {
		until = made.Authority.NotAfter
	}
	raw, err := x509.CreateCertificate(rand.Reader, &x509.Certificate{
		Subject:  pkix.Name{Organization: []string{"Lintel"}, CommonName: slices.Concat(hosts, []string{"Lintel"})[0]},
		DNSNames: hosts, IPAddresses: addrs, NotBefore: req.Now.Add(-behind), NotAfter: until, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}, made.Authority, key.Public(), issuer)
	if err != nil {
		return Made{}, err
	}
	if made.Server, err = x509.ParseCertificate(raw); err != nil {
		return Made{}, err
	}
	roots := x509.NewCertPool()
	roots.AddCert(made.Authority)
	if _, err := made.Server.Verify(x509.VerifyOptions{Roots: roots, CurrentTime: req.Now}); err != nil {
		return Made{}, fmt.Errorf("the authority in %s may not vouch for this: %w. Make another one in a new directory; "+
			"devices must be made to trust it anew",
			req.Dir, err)
	}
	return made, writeFile(file(ServerCert), "CERTIFICATE", raw, 0o644, req.Renew)
}

// openAuthority reads the authority, or makes it.
func openAuthority(file func(string) string, hosts []string, addrs []net.IP, now time.Time) (*x509.Certificate, bool, error) {
	had, err := readCert(file(AuthorityCert))
	if err == nil && now.After(had.NotAfter) {
		return nil, false, fmt.Errorf("the authority in %s ended on %s: make another one in a new directory", file(AuthorityCert),
			had.NotAfter.Format(time.DateOnly))
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return had, false, err
	}
	key, err := newKey(file(AuthorityKey))
	if err != nil {
		return nil, false, err
	}
	machine, _ := os.Hostname()
	template := &x509.Certificate{
		Subject: pkix.Name{Organization: []string{"Lintel"},
			CommonName: "Lintel authority of " + machine + ", " + now.Format(time.DateOnly)},
		NotBefore: now.Add(-behind), NotAfter: now.AddDate(authorityYears, 0, 0),
		IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
		PermittedDNSDomainsCritical: true,
		PermittedDNSDomains:         slices.Compact(slices.Sorted(slices.Values(slices.Concat(hosts, privateDomains)))),
	}
	for _, text := range privateRanges {
		_, network, err := net.ParseCIDR(text)
		if err != nil {
			return nil, false, err
		}
		template.PermittedIPRanges = append(template.PermittedIPRanges, network)
	}
	for _, ip := range addrs {
		if !slices.ContainsFunc(template.PermittedIPRanges, func(n *net.IPNet) bool { return n.Contains(ip) }) {
			template.PermittedIPRanges = append(template.PermittedIPRanges, &net.IPNet{IP: ip, Mask: net.CIDRMask(8*len(ip), 8*len(ip))})
		}
	}
	raw, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		return nil, false, err
	}
	if err := writeFile(file(AuthorityCert), "CERTIFICATE", raw, 0o644, false); err != nil {
		return nil, false, err
	}
	had, err = x509.ParseCertificate(raw)
	return had, true, err
}

// parseNames tells host names from addresses. Each is there once, in the order given.
func parseNames(names []string) (hosts []string, addrs []net.IP, err error) {
	if len(names) == 0 || len(names) > MaxNames {
		return nil, nil, fmt.Errorf("a certificate needs 1 to %d names by which browsers reach the server, such as lintel.local "+
			"or 192.168.1.20; there are %d", MaxNames, len(names))
	}
	for _, name := range names {
		if addr, err := netip.ParseAddr(name); err == nil && addr.Zone() == "" {
			addr = addr.Unmap()
			if addr.IsUnspecified() || addr.IsMulticast() {
				return nil, nil, fmt.Errorf("nobody reaches a server by the address %s", name)
			}
			if ip := net.IP(addr.AsSlice()); !slices.ContainsFunc(addrs, ip.Equal) {
				addrs = append(addrs, ip)
			}
			continue
		}
		host, err := idna.Lookup.ToASCII(strings.TrimSuffix(name, "."))
		if err != nil || host == "" || len(host) > 253 || strings.Trim(host, "0123456789.") == "" {
			return nil, nil,
				fmt.Errorf("%.100q is neither a host name, such as lintel.local, nor an IP address; leave out https:// and the port",
					name)
		}
		if !slices.Contains(hosts, host) {
			hosts = append(hosts, host)
		}
	}
	return hosts, addrs, nil
}

func namesOf(c *x509.Certificate) []string {
	names := slices.Clone(c.DNSNames)
	for _, ip := range c.IPAddresses {
		names = append(names, ip.String())
	}
	return names
}

func newKey(file string) (crypto.Signer, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	raw, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	return key, writeFile(file, "PRIVATE KEY", raw, 0o600, false)
}

// maxFile bounds each file, in bytes.
const maxFile = 1 << 20

func readPEM(file, kind string) ([]byte, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b := make([]byte, maxFile)
	n, err := f.Read(b)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", file, err)
	}
	block, _ := pem.Decode(b[:n])
	if block == nil || block.Type != kind {
		return nil, fmt.Errorf("%s holds no %s in PEM", file, strings.ToLower(kind))
	}
	return block.Bytes, nil
}

func readCert(file string) (*x509.Certificate, error) {
	raw, err := readPEM(file, "CERTIFICATE")
	if err != nil {
		return nil, err
	}
	c, err := x509.ParseCertificate(raw)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	return c, nil
}

func readKey(file string) (crypto.Signer, error) {
	raw, err := readPEM(file, "PRIVATE KEY")
	if err != nil {
		return nil, err
	}
	key, err := x509.ParsePKCS8PrivateKey(raw)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	signer, ok := key.(crypto.Signer)
	if !ok {
		return nil, fmt.Errorf("%s holds a key that can't sign", file)
	}
	return signer, nil
}

// writeFile writes a file that is not there yet, or with replace one in place of it, whole or not
// at all.
func writeFile(file, kind string, raw []byte, mode fs.FileMode, replace bool) error {
	var b bytes.Buffer
	if err := pem.Encode(&b, &pem.Block{Type: kind, Bytes: raw}); err != nil {
		return err
	}
	name := file
	if replace {
		name += ".new"
		if err := os.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return err
	}
	_, err = f.Write(b.Bytes())
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil || !replace {
		return err
	}
	return os.Rename(name, file)
}
