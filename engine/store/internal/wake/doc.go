// Package wake lets readers sleep until somebody says that a site has something new.
//
// A reader takes a channel with Watch, then looks, and only then sleeps on the channel: what comes
// between the look and the sleep closes the channel already, so no news is missed.
package wake
