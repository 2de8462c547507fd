package main

import (
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"lintel/api/authority"
)

type certCmd struct {
	Names []string `arg:"" optional:"" help:"Names and addresses by which browsers reach the server, such as lintel.local or 192.168.1.20. Default: those of this machine, or with --renew those of the certificate."`
	Dir   string   `help:"Directory of the authority and the certificate." default:"certificate" type:"path" placeholder:"DIR"`
	Days  int      `help:"How long the certificate holds, 1 to 397 days." default:"397"`
	Renew bool     `help:"Replace the certificate by a new one of the same authority. A server that runs takes it up by itself."`
}

func (c *certCmd) Run(s *streams) error {
	names := c.Names
	if len(names) == 0 && !c.Renew {
		names = ownNames()
	}
	made, err := authority.Make(authority.Request{Dir: c.Dir, Names: names, Days: c.Days, Renew: c.Renew, Now: time.Now()})
	switch {
	case errors.Is(err, authority.ErrThere):
		return fmt.Errorf("%w; --renew replaces it", err)
	case err != nil:
		return err
	}
	all := made.Server.DNSNames
	for _, ip := range made.Server.IPAddresses {
		all = append(all, ip.String())
	}
	file := func(name string) string { return filepath.Join(c.Dir, name) }
	_, err = fmt.Fprintf(s.out, `certificate  %s
             for %s
             until %s
authority    %s, until %s
             SHA-256 %s
             Have phones and desks trust this file, once: deploy/TRUST.md says how.
`, file(authority.ServerCert), strings.Join(all, ", "), made.Server.NotAfter.Format(time.DateOnly), file(authority.AuthorityCert),
		made.Authority.NotAfter.Format(time.DateOnly), authority.Fingerprint(made.Authority))
	if made.NewAuthority {
		fmt.Fprintf(s.out, `its key      %s
             Guard it: who has it can pass for this server.
next         lintel serve --tls-cert %s --tls-key %s
`, file(authority.AuthorityKey), file(authority.ServerCert), file(authority.ServerKey))
	}
	return err
}

// ownNames lists the names of this machine and its addresses.
func ownNames() []string {
	names := []string{"localhost", "127.0.0.1", "::1"}
	if host, err := os.Hostname(); err == nil && host != "localhost" {
		short, _, dotted := strings.Cut(host, ".")
		if names = append(names, short, short+".local"); dotted {
			names = append(names, host)
		}
	}
	addrs, _ := net.InterfaceAddrs()
	for _, a := range addrs {
		if n, ok := a.(*net.IPNet); ok && !n.IP.IsLoopback() && !n.IP.IsLinkLocalUnicast() {
			names = append(names, n.IP.String())
		}
	}
	return names
}
