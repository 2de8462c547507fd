// Package client talks to a Lintel server over HTTP, for commands and programs of the same binary.
//
//	c, err := client.New("https://lintel.example", key)
//	res, err := c.Do(ctx, "GET", "/v1/rules", nil, nil)
//	var p *client.Problem
//	if errors.As(err, &p) && p.Code == "version_mismatch" { ... }
//
// Any answer that is not 2xx becomes a *Problem: the problem details of RFC 9457 with the server's
// own members, or, where something between answered instead (a proxy, another server), a problem
// that says so. A caller that wants 304 asks for it with Accept304.
//
// The key goes into the Authorization header of the server that was named and nowhere else:
// redirects are not followed, an address that holds a user or a password is refused, and neither
// errors nor a printed Client show the key. Nothing is tried again: whether that is safe only the
// caller knows.
//
// Flags are the flags that say which server and which key, for commands to embed.
package client
