package deliver

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"strings"
	"syscall"

	"code.dny.dev/ssrf"
)

// Guard decides which addresses may be connected to. It sees the address that is being connected,
// after the name was looked up, so a name that resolves to something else on the second look, a
// redirect or an odd spelling gets nobody past it.
//
// Public addresses are allowed on ports 80 and 443. All others are refused (loopback, private,
// link-local, shared, multicast, reserved and documentation ranges, cloud metadata services, IPv4
// within IPv6), unless the operator allowed a CIDR that holds them; there, any port goes. Loopback,
// link-local and metadata addresses must be meant: a CIDR that is wider than their own range does
// not allow them.
type Guard struct {
	allow  []netip.Prefix
	public *ssrf.Guardian
}

// metadata are addresses of cloud platforms that hand out credentials or configuration. Those that
// lie in public or shared ranges are not in any special-purpose registry (values: common practice,
// no source).
var metadata = []netip.Prefix{
	netip.MustParsePrefix("169.254.169.254/32"),
	netip.MustParsePrefix("168.63.129.16/32"),
	netip.MustParsePrefix("100.100.100.200/32"),
	netip.MustParsePrefix("192.0.0.192/32"),
	netip.MustParsePrefix("fd00:ec2::254/128"),
}

const cloudMetadata = "a cloud metadata service"

// ranges names what is refused, most special first; the decision for public addresses is made by
// the ssrf package, from the IANA special-purpose registries.
var ranges = []struct {
	prefix netip.Prefix
	what   string
	meant  bool // only a CIDR within it allows it
}{
	{metadata[0], cloudMetadata, true},
	{metadata[1], cloudMetadata, true},
	{metadata[2], cloudMetadata, true},
	{metadata[3], cloudMetadata, true},
	{metadata[4], cloudMetadata, true},
	{netip.MustParsePrefix("127.0.0.0/8"), "a loopback address", true},
	{netip.MustParsePrefix("::1/128"), "a loopback address", true},
	{netip.MustParsePrefix("0.0.0.0/8"), "an address of this host", true},
	{netip.MustParsePrefix("::/128"), "an address of this host", true},
	{netip.MustParsePrefix("169.254.0.0/16"), "a link-local address", true},
	{netip.MustParsePrefix("fe80::/10"), "a link-local address", true},
	{netip.MustParsePrefix("10.0.0.0/8"), "a private address", false},
	{netip.MustParsePrefix("172.16.0.0/12"), "a private address", false},
	{netip.MustParsePrefix("192.168.0.0/16"), "a private address", false},
	{netip.MustParsePrefix("fc00::/7"), "a private address", false},
	{netip.MustParsePrefix("100.64.0.0/10"), "a shared address (carrier-grade NAT)", false},
	{netip.MustParsePrefix("224.0.0.0/4"), "a multicast address", false},
	{netip.MustParsePrefix("ff00::/8"), "a multicast address", false},
	{nat64, "an IPv4 address within IPv6 (NAT64)", false},
	{netip.MustParsePrefix("64:ff9b:1::/48"), "an IPv4 address within IPv6 (NAT64)", true}, // in a layout that only its network knows
	{sixToFour, "an IPv4 address within IPv6 (6to4)", false},
}

var (
	nat64      = netip.MustParsePrefix("64:ff9b::/96") // RFC 6052
	sixToFour  = netip.MustParsePrefix("2002::/16")    // RFC 3056
	teredo     = netip.MustParsePrefix("2001::/32")    // RFC 4380
	compatible = netip.MustParsePrefix("::/96")        // RFC 4291, section 2.5.5.1
)

// NewGuard makes a guard that also allows the given ranges.
func NewGuard(allow []netip.Prefix) *Guard {
	g := &Guard{public: ssrf.New(ssrf.WithNetworks("tcp", "tcp4", "tcp6"), ssrf.WithDeniedV4Prefixes(metadata[:4]...))}
	for _, p := range allow {
		if p.Addr().Is4In6() && p.Bits() >= 96 {
			p = netip.PrefixFrom(p.Addr().Unmap(), p.Bits()-96)
		}
		g.allow = append(g.allow, p.Masked())
	}
	return g
}

// ParseCIDRs reads ranges for NewGuard, like 10.20.0.0/16. A bare address means itself alone.
func ParseCIDRs(texts []string) ([]netip.Prefix, error) {
	var prefixes []netip.Prefix
	for _, s := range texts {
		s = strings.TrimSpace(s)
		if addr, err := netip.ParseAddr(s); err == nil && addr.Zone() == "" {
			prefixes = append(prefixes, netip.PrefixFrom(addr, addr.BitLen()))
			continue
		}
		p, err := netip.ParsePrefix(s)
		if err != nil {
			return nil, fmt.Errorf("%q is not a range of addresses: write it like 10.20.0.0/16 or 10.20.0.7", s)
		}
		if p != p.Masked() {
			return nil, fmt.Errorf("%q has bits set after its /%d: did you mean %s, or %s alone?", s, p.Bits(), p.Masked(), p.Addr())
		}
		prefixes = append(prefixes, p)
	}
	return prefixes, nil
}

// BlockedError says that the guard refused an address.
type BlockedError struct {
	Host    string // the name that was looked up, "" if none was
	Address string // address and port
	Why     string // what is wrong with it
	Allow   string // the narrowest CIDR that would allow it, "" if none does
}

// Error says which address, why, and how to allow it.
func (e *BlockedError) Error() string {
	s := "connecting to " + e.Address + " is not allowed: " + e.Why
	if e.Host != "" {
		s = fmt.Sprintf("connecting to %s is not allowed: it resolves to %s, and %s", e.Host, e.Address, e.Why)
	}
	if e.Allow != "" {
		s += "; if that receiver is yours, start Lintel with --allow-cidr " + e.Allow
	}
	return s
}

// Check returns nil if address ("host:port", the host an IP address) may be connected to, else a
// *BlockedError. It does no I/O.
func (g *Guard) Check(network, address string) error {
	switch network {
	case "tcp", "tcp4", "tcp6":
	default:
		return &BlockedError{Address: address, Why: fmt.Sprintf("the network %q is not TCP", network)}
	}
	ap, err := netip.ParseAddrPort(address)
	if err != nil {
		return &BlockedError{Address: address, Why: "it is not an address with a port"}
	}
	return g.check(network, ap)
}

func (g *Guard) check(network string, ap netip.AddrPort) error {
	// A zone (fe80::1%eth0) says through which interface, not what the address is.
	addr := ap.Addr().WithZone("")
	plain := addr.Unmap()
	if g.allows(plain) {
		blocked := false
		for _, inner := range embedded(plain) {
			if !g.allows(inner) && g.public.SafeAddr(inner) != nil {
				plain, blocked = inner, true
				break
			}
		}
		if !blocked {
			return nil
		}
	}
	blocked := &BlockedError{Address: ap.String(), Allow: netip.PrefixFrom(plain, plain.BitLen()).String()}
	err := g.public.Safe(network, netip.AddrPortFrom(addr, ap.Port()).String(), nil)
	switch {
	case err == nil:
		return nil
	case errors.Is(err, ssrf.ErrProhibitedPort) && g.public.SafeAddr(addr) == nil:
		blocked.Why = fmt.Sprintf("port %d is neither 80 nor 443", ap.Port())
		return blocked
	}
	blocked.Why = "it lies in a range that is reserved or not assigned"
	if plain.IsMulticast() || plain == netip.AddrFrom4([4]byte{255, 255, 255, 255}) {
		blocked.Allow = ""
	}
	if addr.Is4In6() {
		blocked.Why = "it is an IPv4 address within IPv6"
	}
	for _, r := range ranges {
		if r.prefix.Contains(plain) {
			if blocked.Why = "it is " + r.what; r.what == cloudMetadata {
				blocked.Allow = "" // nobody's receiver; who means it knows the flag
			}
			break
		}
	}
	return blocked
}

// allows reports whether the operator allowed the address.
func (g *Guard) allows(addr netip.Addr) bool {
	if addr.IsMulticast() {
		return false
	}
	least := 0
	for _, r := range ranges {
		if r.meant && r.prefix.Contains(addr) {
			least = max(least, r.prefix.Bits())
		}
	}
	for _, p := range g.allow {
		if p.Contains(addr) && p.Bits() >= least {
			return true
		}
	}
	return false
}

// embedded returns the IPv4 addresses that a translator or a tunnel would connect to.
func embedded(addr netip.Addr) []netip.Addr {
	b := addr.As16()
	switch {
	case addr.Is4():
	case nat64.Contains(addr):
		return []netip.Addr{netip.AddrFrom4([4]byte(b[12:16]))}
	case sixToFour.Contains(addr):
		return []netip.Addr{netip.AddrFrom4([4]byte(b[2:6]))}
	case teredo.Contains(addr): // its server, and its client with all bits turned (RFC 4380, section 4)
		return []netip.Addr{netip.AddrFrom4([4]byte(b[4:8])), netip.AddrFrom4([4]byte{^b[12], ^b[13], ^b[14], ^b[15]})}
	case compatible.Contains(addr) && !addr.IsUnspecified() && !addr.IsLoopback():
		return []netip.Addr{netip.AddrFrom4([4]byte(b[12:16]))}
	}
	return nil
}

// Control is for net.Dialer.Control: it is called with each address right before it is connected.
func (g *Guard) Control(network, address string, _ syscall.RawConn) error {
	return g.Check(network, address)
}

// CheckChannel returns a *BlockedError if the channel's URL names an address that would be refused.
// Names are not looked up, so nil does not promise that the channel can be reached; Test tells
// that.
func (g *Guard) CheckChannel(c Channel) error {
	if ap, ok := c.address(); ok {
		return g.check("tcp", ap)
	}
	return nil
}

// dial connects. A name of which any address is refused is refused as a whole: it is a mistake, or
// somebody is trying which address wins. This first look gives the clear answer; what is then
// connected goes through Control again, whatever the second look says.
func (g *Guard) dial(ctx context.Context, d *net.Dialer, network, address string) (net.Conn, error) {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return nil, err
	}
	if _, err := netip.ParseAddr(host); err != nil {
		ctx, cancel := context.WithTimeout(ctx, d.Timeout)
		defer cancel()
		resolver := d.Resolver
		if resolver == nil {
			resolver = net.DefaultResolver
		}
		addrs, err := resolver.LookupNetIP(ctx, "ip", host)
		if err != nil {
			return nil, err
		}
		for _, addr := range addrs {
			err := g.Check("tcp", net.JoinHostPort(addr.Unmap().String(), port))
			if blocked := (*BlockedError)(nil); errors.As(err, &blocked) {
				blocked.Host = host
				return nil, blocked
			}
		}
	}
	return d.DialContext(ctx, network, address)
}
