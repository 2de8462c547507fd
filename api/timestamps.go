package api

import "sync"

// stampLead is how far stamps may run ahead of the server's clock, in milliseconds: a thousand
// batches at once still get different ones.
const stampLead = 1000

// stamps gives the times of reads and events that came without one and say where an item is. Within
// a site each stamp is later than the one before: of two places that are declared for an item, one
// after the other, the second holds, however fast they follow each other. The core cannot know that
// from equal times, since a batch that is sent again has equal times, too.
type stamps struct {
	mu   sync.Mutex
	last map[string]int64 // by site, Unix milliseconds
}

// next returns a stamp for the site at the time now, Unix milliseconds: now, or the millisecond
// after the last stamp if that is later.
func (s *stamps) next(site string, now int64) int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	if last, ok := s.last[site]; ok && last >= now {
		now = min(last+1, now+stampLead)
	}
	s.last[site] = now
	return now
}
