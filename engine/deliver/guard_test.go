package deliver

import (
	"context"
	"errors"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/dns/dnsmessage"
)

func prefixes(t testing.TB, texts ...string) []netip.Prefix {
	t.Helper()
	p, err := ParseCIDRs(texts)
	require.NoError(t, err)
	return p
}

// Addresses from the IANA special-purpose registries for IPv4 and IPv6, and cloud platforms'
// metadata services (common practice, no source).
func TestGuardRefuses(t *testing.T) {
	g := NewGuard(nil)
	for address, why := range map[string]string{
		"127.0.0.1:80":                "it is a loopback address",
		"127.255.0.3:443":             "it is a loopback address",
		"[::1]:443":                   "it is a loopback address",
		"0.0.0.0:80":                  "it is an address of this host",
		"[::]:80":                     "it is an address of this host",
		"10.0.0.1:443":                "it is a private address",
		"172.16.9.9:443":              "it is a private address",
		"172.31.255.255:443":          "it is a private address",
		"192.168.1.20:80":             "it is a private address",
		"[fd12:3456::1]:443":          "it is a private address",
		"100.64.0.1:80":               "it is a shared address (carrier-grade NAT)",
		"169.254.1.1:80":              "it is a link-local address",
		"[fe80::1]:80":                "it is a link-local address",
		"[fe80::1%eth0]:80":           "it is a link-local address",
		"169.254.169.254:80":          "it is a cloud metadata service",
		"168.63.129.16:80":            "it is a cloud metadata service",
		"100.100.100.200:80":          "it is a cloud metadata service",
		"192.0.0.192:80":              "it is a cloud metadata service",
		"[fd00:ec2::254]:80":          "it is a cloud metadata service",
		"224.0.0.1:80":                "it is a multicast address",
		"[ff02::1]:80":                "it is a multicast address",
		"255.255.255.255:80":          "it lies in a range that is reserved or not assigned",
		"240.0.0.1:80":                "it lies in a range that is reserved or not assigned",
		"192.0.2.1:80":                "it lies in a range that is reserved or not assigned",
		"198.51.100.7:443":            "it lies in a range that is reserved or not assigned",
		"203.0.113.7:443":             "it lies in a range that is reserved or not assigned",
		"198.18.0.1:80":               "it lies in a range that is reserved or not assigned",
		"192.88.99.1:80":              "it lies in a range that is reserved or not assigned",
		"[2001:db8::1]:443":           "it lies in a range that is reserved or not assigned",
		"[3fff::1]:443":               "it lies in a range that is reserved or not assigned",
		"[2001::1]:443":               "it lies in a range that is reserved or not assigned",
		"[100::1]:443":                "it lies in a range that is reserved or not assigned",
		"[4000::1]:443":               "it lies in a range that is reserved or not assigned",
		"[::ffff:127.0.0.1]:80":       "it is a loopback address",
		"[::ffff:7f00:1]:80":          "it is a loopback address",
		"[::ffff:169.254.169.254]:80": "it is a cloud metadata service",
		"[::ffff:8.8.8.8]:80":         "it is an IPv4 address within IPv6",
		"[::127.0.0.1]:80":            "it lies in a range that is reserved or not assigned",
		"[64:ff9b::7f00:1]:80":        "it is an IPv4 address within IPv6 (NAT64)",
		"[64:ff9b::808:808]:80":       "it is an IPv4 address within IPv6 (NAT64)",
		"[64:ff9b:1::a00:1]:80":       "it is an IPv4 address within IPv6 (NAT64)",
		"[2002:7f00:1::]:80":          "it is an IPv4 address within IPv6 (6to4)",
		"8.8.8.8:8080":                "port 8080 is neither 80 nor 443",
		"8.8.8.8:25":                  "port 25 is neither 80 nor 443",
		"[2606:4700::1]:8443":         "port 8443 is neither 80 nor 443",
		"10.0.0.1:6379":               "it is a private address",
		"8.8.8.8":                     "it is not an address with a port",
		"localhost:80":                "it is not an address with a port",
		"2130706433:80":               "it is not an address with a port",
		"0x7f000001:80":               "it is not an address with a port",
		"127.1:80":                    "it is not an address with a port",
		"0177.0.0.1:80":               "it is not an address with a port",
		"":                            "it is not an address with a port",
	} {
		err := g.Check("tcp", address)
		var blocked *BlockedError
		require.ErrorAs(t, err, &blocked, "%s", address)
		require.Equal(t, why, blocked.Why, "%s", address)
		require.Equal(t, err, g.Control("tcp", address, nil), "%s", address)
	}
	require.Error(t, g.Check("udp", "8.8.8.8:443"))
	require.Error(t, g.Check("unix", "/run/docker.sock"))
}

func TestGuardAllowsPublic(t *testing.T) {
	g := NewGuard(nil)
	for _, address := range []string{"8.8.8.8:443", "8.8.8.8:80", "1.1.1.1:443", "[2606:4700:4700::1111]:443",
		"172.32.0.1:80", "100.128.0.1:443"} {
		require.NoError(t, g.Check("tcp", address), address)
		require.NoError(t, g.Control("tcp6", address, nil), address)
	}
}

func TestGuardAllowList(t *testing.T) {
	for _, c := range []struct {
		allow, address string
		ok             bool
	}{
		{"10.20.0.0/16", "10.20.3.4:8080", true},
		{"10.20.0.0/16", "10.20.3.4:443", true},
		{"10.20.0.0/16", "10.21.0.1:443", false},
		{"10.20.0.0/16", "[::ffff:10.20.3.4]:8080", true},
		{"10.20.0.7", "10.20.0.7:9000", true},
		{"10.20.0.7", "10.20.0.8:9000", false},
		{"fd12::/16", "[fd12::7]:9000", true},
		{"::ffff:10.20.0.0/112", "10.20.0.9:80", true},
		{"127.0.0.0/8", "127.0.0.1:8080", true},
		{"127.0.0.1", "127.0.0.1:8080", true},
		{"fe80::/10", "[fe80::1%eth0]:80", true},
		{"8.8.8.8", "8.8.8.8:8080", true},
		{"169.254.169.254", "169.254.169.254:80", true},
		// What must be meant is not opened by a wide range.
		{"0.0.0.0/0", "10.1.2.3:8080", true},
		{"0.0.0.0/0", "127.0.0.1:80", false},
		{"0.0.0.0/0", "169.254.169.254:80", false},
		{"0.0.0.0/0", "168.63.129.16:80", false},
		{"0.0.0.0/0", "168.63.129.17:8080", true},
		{"169.254.0.0/16", "169.254.7.7:80", true},
		{"169.254.0.0/16", "169.254.169.254:80", false},
		{"100.64.0.0/10", "100.100.100.200:80", false},
		{"100.64.0.0/10", "100.100.100.201:80", true},
		{"::/0", "[::1]:80", false},
		{"::/0", "[fd00:ec2::254]:80", false},
		{"::/0", "[fd00::1]:80", true},
		{"0.0.0.0/0", "224.0.0.1:80", false},
		// A translator's range is allowed for public addresses, not as a way to private ones.
		{"64:ff9b::/96", "[64:ff9b::808:808]:443", true},
		{"64:ff9b::/96", "[64:ff9b::7f00:1]:443", false},
		{"64:ff9b::/96", "[64:ff9b::a9fe:a9fe]:80", false},
		{"64:ff9b::/96", "[64:ff9b::a00:1]:80", false},
		{"2002::/16", "[2002:a00:1::]:80", false},
		{"::/0", "[::7f00:1]:80", false},
		{"::/0", "[::808:808]:80", true},
		{"::/0", "[2001:0:808:808::80ff:fffe]:80", false}, // its client is 127.0.0.1
		{"::/0", "[2001:0:a00:1::f7f7:f7f7]:80", false},   // its server is 10.0.0.1
		{"::/0", "[2001:0:808:808::f7f7:f7f7]:80", true},
	} {
		err := NewGuard(prefixes(t, c.allow)).Check("tcp", c.address)
		require.Equal(t, c.ok, err == nil, "%s with %s: %v", c.address, c.allow, err)
	}
}

func TestBlockedErrorSaysHow(t *testing.T) {
	g := NewGuard(nil)
	require.EqualError(t, g.Check("tcp", "10.1.2.3:8080"),
		"connecting to 10.1.2.3:8080 is not allowed: it is a private address; if that receiver is yours, start "+
			"Lintel with --allow-cidr 10.1.2.3/32")
	require.EqualError(t, g.Check("tcp", "[fd12::7]:80"),
		"connecting to [fd12::7]:80 is not allowed: it is a private address; if that receiver is yours, start "+
			"Lintel with --allow-cidr fd12::7/128")
	require.EqualError(t, g.Check("tcp", "224.0.0.1:80"), "connecting to 224.0.0.1:80 is not allowed: it is a multicast address")

	require.EqualError(t, g.Check("tcp", "169.254.169.254:80"),
		"connecting to 169.254.169.254:80 is not allowed: it is a cloud metadata service", "which nobody is advised to allow")

	// What the error advises works.
	for _, address := range []string{"10.1.2.3:8080", "127.0.0.1:80", "169.254.1.1:80", "8.8.8.8:8080", "[::1]:80",
		"[64:ff9b:1::1]:80", "[::ffff:127.0.0.1]:80", "[2001:db8::1]:80"} {
		var blocked *BlockedError
		require.ErrorAs(t, g.Check("tcp", address), &blocked)
		require.NoError(t, NewGuard(prefixes(t, blocked.Allow)).Check("tcp", address), "%s with %s", address, blocked.Allow)
	}
}

func TestParseCIDRs(t *testing.T) {
	for in, want := range map[string]string{
		"10.20.0.5/16": `"10.20.0.5/16" has bits set after its /16: did you mean 10.20.0.0/16, or 10.20.0.5 alone?`,
		"10.20":        `"10.20" is not a range of addresses: write it like 10.20.0.0/16 or 10.20.0.7`,
		"localhost":    `"localhost" is not a range of addresses: write it like 10.20.0.0/16 or 10.20.0.7`,
		"fe80::1%eth0": `"fe80::1%eth0" is not a range of addresses: write it like 10.20.0.0/16 or 10.20.0.7`,
	} {
		_, err := ParseCIDRs([]string{in})
		require.EqualError(t, err, want)
	}
}

func TestCheckChannel(t *testing.T) {
	g := NewGuard(prefixes(t, "10.20.0.0/16"))
	for url, ok := range map[string]bool{
		"https://tickets.example/hook": true,
		"https://8.8.8.8/hook":         true,
		"http://10.20.0.1:9000/hook":   true,
		"http://10.21.0.1/hook":        false,
		"https://8.8.8.8:8443/hook":    false,
		"http://[::1]/hook":            false,
		"http://[::ffff:7f00:1]/hook":  false,
	} {
		require.Equal(t, ok, g.CheckChannel(Channel{URL: url}) == nil, url)
	}
}

// nameServer is a DNS server on loopback that knows a few names.
func nameServer(t testing.TB, names map[string][]string) *net.Resolver {
	t.Helper()
	conn, err := net.ListenPacket("udp", "127.0.0.1:0")
	require.NoError(t, err)
	var wg sync.WaitGroup
	wg.Go(func() {
		buf := make([]byte, 1500)
		for {
			n, from, err := conn.ReadFrom(buf)
			if err != nil {
				return
			}
			var m dnsmessage.Message
			if m.Unpack(buf[:n]) != nil || len(m.Questions) != 1 {
				continue
			}
			q := m.Questions[0]
			reply := dnsmessage.Message{Header: dnsmessage.Header{ID: m.ID, Response: true, Authoritative: true,
				RecursionAvailable: true}, Questions: m.Questions}
			addrs, known := names[q.Name.String()]
			if !known {
				reply.RCode = dnsmessage.RCodeNameError
			}
			for _, s := range addrs {
				addr := netip.MustParseAddr(s)
				h := dnsmessage.ResourceHeader{Name: q.Name, Type: q.Type, Class: q.Class, TTL: 1}
				switch {
				case addr.Is4() && q.Type == dnsmessage.TypeA:
					reply.Answers = append(reply.Answers, dnsmessage.Resource{Header: h, Body: &dnsmessage.AResource{A: addr.As4()}})
				case addr.Is6() && q.Type == dnsmessage.TypeAAAA:
					reply.Answers = append(reply.Answers, dnsmessage.Resource{Header: h, Body: &dnsmessage.AAAAResource{AAAA: addr.As16()}})
				}
			}
			packed, err := reply.Pack()
			if err == nil {
				_, _ = conn.WriteTo(packed, from)
			}
		}
	})
	t.Cleanup(func() { conn.Close(); wg.Wait() })
	return &net.Resolver{PreferGo: true, Dial: func(ctx context.Context, _, _ string) (net.Conn, error) {
		var d net.Dialer
		return d.DialContext(ctx, "udp", conn.LocalAddr().String())
	}}
}

// Names of which any address must not be connected to are refused before anything is connected.
func TestNamesAreCheckedAfterLookup(t *testing.T) {
	resolver := nameServer(t, map[string][]string{
		"inside.example.":   {"10.0.0.5"},
		"metadata.example.": {"169.254.169.254"},
		"mixed.example.":    {"8.8.8.8", "10.0.0.5"},
		"mixed6.example.":   {"8.8.8.8", "fd00::5"},
		"mapped.example.":   {"::ffff:127.0.0.1"},
		"loop.example.":     {"127.0.0.1"},
	})
	guard := NewGuard(nil)
	for host, want := range map[string]string{
		"inside.example": "connecting to inside.example is not allowed: it resolves to 10.0.0.5:443, and it is a " +
			"private address; if that receiver is yours, start Lintel with --allow-cidr 10.0.0.5/32",
		"metadata.example": "connecting to metadata.example is not allowed: it resolves to 169.254.169.254:443, " +
			"and it is a cloud metadata service",
		"mixed.example": "connecting to mixed.example is not allowed: it resolves to 10.0.0.5:443, and it is a " +
			"private address; if that receiver is yours, start Lintel with --allow-cidr 10.0.0.5/32",
		"mixed6.example": "connecting to mixed6.example is not allowed: it resolves to [fd00::5]:443, and it is " +
			"a private address; if that receiver is yours, start Lintel with --allow-cidr fd00::5/128",
		"loop.example": "connecting to loop.example is not allowed: it resolves to 127.0.0.1:443, and it is a " +
			"loopback address; if that receiver is yours, start Lintel with --allow-cidr 127.0.0.1/32",
	} {
		_, err := newTransport(guard, resolver, nil).DialContext(t.Context(), "tcp", host+":443")
		require.EqualError(t, err, want)
	}
	_, err := newTransport(guard, resolver, nil).DialContext(t.Context(), "tcp", "mapped.example:443")
	var blocked *BlockedError
	require.ErrorAs(t, err, &blocked)

	_, err = newTransport(guard, resolver, nil).DialContext(t.Context(), "tcp", "nobody.example:443")
	var lookup *net.DNSError
	require.ErrorAs(t, err, &lookup)
	require.True(t, lookup.IsNotFound)
}

// A name that shows a harmless address to the first look and another one to the look that connects
// is refused by Control, which sees what is connected. The listener would notice a connection.
func TestRebinding(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	var reached atomic.Bool
	var wg sync.WaitGroup
	wg.Go(func() {
		if conn, err := listener.Accept(); err == nil {
			reached.Store(true)
			conn.Close()
		}
	})
	port := listener.Addr().(*net.TCPAddr).Port

	var looks atomic.Int32
	first := nameServer(t, map[string][]string{"turncoat.example.": {"10.20.0.1"}})
	then := nameServer(t, map[string][]string{"turncoat.example.": {"127.0.0.1"}})
	const perLook = 2 // A and AAAA
	resolver := &net.Resolver{PreferGo: true, Dial: func(ctx context.Context, network, address string) (net.Conn, error) {
		if looks.Add(1) <= perLook {
			return first.Dial(ctx, network, address)
		}
		return then.Dial(ctx, network, address)
	}}
	_, err = newTransport(NewGuard(prefixes(t, "10.20.0.0/16")), resolver, nil).DialContext(t.Context(), "tcp",
		net.JoinHostPort("turncoat.example", strconv.Itoa(port)))
	require.Greater(t, looks.Load(), int32(perLook), "the name was looked up only once")
	var blocked *BlockedError
	require.ErrorAs(t, err, &blocked)
	require.Equal(t, "it is a loopback address", blocked.Why)
	listener.Close()
	wg.Wait()
	require.False(t, reached.Load())
}

// The whole client: names to loopback through the allow list work, a redirect to elsewhere is not
// followed, a proxy from the environment is not used.
func TestClientThroughGuard(t *testing.T) {
	t.Setenv("HTTP_PROXY", "http://127.0.0.1:1")
	t.Setenv("http_proxy", "http://127.0.0.1:1")
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/away" {
			http.Redirect(w, r, "http://169.254.169.254/latest/meta-data/", http.StatusFound)
		}
	}))
	defer server.Close()
	port := server.Listener.Addr().(*net.TCPAddr).Port
	resolver := nameServer(t, map[string][]string{"tickets.example.": {"127.0.0.1"}})
	r := newRig(t, func(o *Options) { o.Resolver = resolver })
	defer r.client.CloseIdleConnections()

	out, err := r.Test(t.Context(), hookChannel("tickets", "http://tickets.example:"+strconv.Itoa(port)+"/hook"))
	require.NoError(t, err)
	require.True(t, out.OK(), out.Reason)

	out, err = r.Test(t.Context(), hookChannel("tickets", "http://tickets.example:"+strconv.Itoa(port)+"/away"))
	require.NoError(t, err)
	require.Equal(t, 302, out.Code)
	require.Equal(t, Refused, out.Class)
	require.Equal(t, "the receiver answered 302 Found; redirects are not followed, so the channel needs the address itself", out.Reason)

	closed := newRig(t, func(o *Options) { o.Guard = NewGuard(nil) })
	out, err = closed.Test(t.Context(), hookChannel("tickets", server.URL))
	require.NoError(t, err)
	require.Contains(t, out.Reason, "it is a loopback address; if that receiver is yours, start Lintel with --allow-cidr 127.0.0.1/32")
}

func FuzzGuard(f *testing.F) {
	for _, s := range []string{"127.0.0.1:80", "[::ffff:7f00:1]:80", "[64:ff9b::a00:1]:443", "8.8.8.8:443", "[fe80::1%eth0]:80", "x"} {
		f.Add(s)
	}
	g := NewGuard(nil)
	f.Fuzz(func(t *testing.T, address string) {
		err := g.Check("tcp", address)
		if err == nil {
			ap := netip.MustParseAddrPort(address)
			if a := ap.Addr(); a.IsPrivate() || a.IsLoopback() || a.IsLinkLocalUnicast() || a.IsMulticast() ||
				a.IsUnspecified() || a.Is4In6() || ap.Port() != 80 && ap.Port() != 443 {
				t.Fatalf("%s is allowed", address)
			}
			return
		}
		var blocked *BlockedError
		if !errors.As(err, &blocked) {
			t.Fatalf("%v", err)
		}
	})
}
