package kit

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"lintel/engine/layout"
	"lintel/engine/store"
	"lintel/rules/doc"
)

// KeysDocument is the name of the document that holds the keys: their hashes, never their texts.
const KeysDocument = "keys"

// keyPrefix begins every key, so that one that lies about is recognised by people and by scanners.
const keyPrefix = "lk_"

// AllSites in Key.Sites stands for every site, also those to come.
const AllSites = "*"

// Key is an API key as it is stored. The text of a key is "lk_" and the base64url of 32 random
// bytes; it is Shown once, when the key is made, and only its SHA-256 is kept. With 256 random bits
// there is nothing to guess, so a slow hash would add nothing.
type Key struct {
	Name     string     `json:"name"` // also names its holder in the journal; never given to another, so that the journal stays true
	Hash     string     `json:"hash"` // SHA-256 of the text, hexadecimal
	Scopes   []string   `json:"scopes"`
	Sites    []string   `json:"sites"` // ids, or "*"
	Created  time.Time  `json:"created"`
	By       string     `json:"by"` // who made it
	Disabled *time.Time `json:"disabled,omitempty"`
	Until    *time.Time `json:"until,omitempty"` // when it ends by itself; nil: never

	person string // Person.ID of whom a provider signed in: then it is no key that is stored
}

// Owner names the holder so that no other holder has the same, for what is kept for one: a person
// may be called what somebody else's key is called.
func (k *Key) Owner() string { return cmp.Or(k.person, k.Name) }

// Who names the holder in a sentence.
func (k *Key) Who() string {
	if k.person != "" {
		return k.Name
	}
	return fmt.Sprintf("The key %q", k.Name)
}

// live reports whether the key works.
func (k *Key) live(now time.Time) bool { return k.Disabled == nil && !k.expired(now) }

func (k *Key) expired(now time.Time) bool { return k.Until != nil && !now.Before(*k.Until) }

// endBy has the key end at a time, if it does not end before.
func (k *Key) endBy(at time.Time) {
	if k.Until == nil || at.Before(*k.Until) {
		k.Until = &at
	}
}

// Must returns an error if the key has none of the scopes.
func (k *Key) Must(scopes []string) error {
	if k.Allows(scopes) {
		return nil
	}
	return Problemf(CodeMissingScope, "%s lacks the scope %s.", k.Who(), strings.Join(scopes, " or ")).With("scopes", scopes)
}

// Allows reports whether the key has one of the scopes. No scopes: any key will do.
func (k *Key) Allows(scopes []string) bool {
	return len(scopes) == 0 || slices.Contains(k.Scopes, ScopeAdmin) ||
		slices.ContainsFunc(scopes, func(s string) bool { return slices.Contains(k.Scopes, s) })
}

// AllSites reports whether the key is for every site.
func (k *Key) AllSites() bool { return slices.Contains(k.Sites, AllSites) }

// ForSite reports whether the key is for the site.
func (k *Key) ForSite(site string) bool { return k.AllSites() || slices.Contains(k.Sites, site) }

type keyDocument struct {
	Keys []Key `json:"keys"`
}

func loadKeys(ctx context.Context, st store.Documents) (keyDocument, int, error) {
	var doc keyDocument
	d, err := st.GetDocument(ctx, KeysDocument, 0)
	if errors.Is(err, store.ErrNotFound) {
		return doc, 0, nil
	}
	if err != nil {
		return doc, 0, err
	}
	if err := json.Unmarshal(d.Body, &doc); err != nil {
		return doc, 0, fmt.Errorf("the document of keys is damaged: %w", err)
	}
	return doc, d.Version, nil
}

// Errors of MintKey and RevokeKey.
var (
	ErrKeyExists  = errors.New("a key of that name exists or existed; names are not used again")
	ErrUnknownKey = errors.New("no key has that name")
	ErrLastAdmin  = errors.New("it is the last key with the scope admin for all sites and without an end")
	ErrKeySpec    = errors.New("invalid key")
)

// changeKeys changes the document of keys by f, again and again until nobody else did meanwhile.
func changeKeys(ctx context.Context, st store.Documents, by string, now time.Time, note string, f func(*keyDocument) error) error {
	for {
		doc, version, err := loadKeys(ctx, st)
		if err != nil {
			return err
		}
		if err := f(&doc); err != nil {
			return err
		}
		b, err := json.Marshal(doc)
		if err != nil {
			return err
		}
		_, err = store.PutDocument(ctx, st, store.Document{Name: KeysDocument, At: now.UTC().Truncate(time.Millisecond),
			By: by, Note: note, Body: b}, version)
		if !errors.Is(err, store.ErrConflict) {
			return err
		}
	}
}

// MintKey makes a key that never ends by itself, and returns its text, which is kept nowhere. By is
// who makes it, for the record.
func MintKey(ctx context.Context, st store.Documents, name string, scopes, sites []string, by string, now time.Time) (string, error) {
	return MintKeyUntil(ctx, st, name, scopes, sites, nil, by, now)
}

// MintKeyUntil makes a key that ends at a time, unless that is nil. The errors are ErrKeySpec and
// ErrKeyExists.
func MintKeyUntil(ctx context.Context, st store.Documents, name string, scopes, sites []string, until *time.Time, by string,
	now time.Time) (string, error) {
	if err := checkKey(name, scopes, sites); err != nil {
		return "", err
	}
	if until != nil && !until.After(now) {
		return "", fmt.Errorf("%w: it would end at %s, which is over", ErrKeySpec, until.UTC().Format(time.RFC3339))
	}
	scopes, sites = slices.Compact(slices.Sorted(slices.Values(scopes))), slices.Compact(slices.Sorted(slices.Values(sites)))
	text, hash := newKey()
	err := changeKeys(ctx, st, by, now, "key "+name+" made", func(doc *keyDocument) error {
		if slices.ContainsFunc(doc.Keys, func(k Key) bool { return k.Name == name }) {
			return ErrKeyExists
		}
		doc.Keys = append(doc.Keys, Key{Name: name, Hash: hash, Scopes: scopes, Sites: sites, Created: now.UTC().Truncate(time.Second), By: by,
			Until: until})
		return nil
	})
	if err != nil {
		return "", err
	}
	return text, nil
}

// newKey draws the text of a key, and its hash.
func newKey() (text, hash string) {
	var raw [32]byte
	rand.Read(raw[:])
	text = keyPrefix + base64.RawURLEncoding.EncodeToString(raw[:])
	sum := sha256.Sum256([]byte(text))
	return text, hex.EncodeToString(sum[:])
}

// MaxOverlap bounds how long an old text of a key may work beside the new one.
const MaxOverlap = 90 * 24 * time.Hour

// RotateKey gives a key a new text, with the name, scopes, sites and end that it has, and returns
// the text. What worked before works for the overlap on. The errors are ErrUnknownKey and
// ErrKeySpec.
func RotateKey(ctx context.Context, st store.Documents, name string, overlap time.Duration, by string, now time.Time) (string, Key, error) {
	if overlap < 0 || overlap > MaxOverlap {
		return "", Key{}, fmt.Errorf("%w: the overlap %v goes from 0s to %v", ErrKeySpec, overlap, MaxOverlap)
	}
	text, hash := newKey()
	var made Key
	err := changeKeys(ctx, st, by, now, "key "+name+" rotated", func(doc *keyDocument) error {
		found := false
		for i := range doc.Keys {
			k := &doc.Keys[i]
			if k.Name != name || !k.live(now) {
				continue
			}
			made, found = *k, true // the newest comes last
			k.endBy(now.UTC().Truncate(time.Second).Add(overlap))
		}
		if !found {
			return ErrUnknownKey
		}
		made.Hash, made.Created, made.By = hash, now.UTC().Truncate(time.Second), by
		doc.Keys = append(doc.Keys, made)
		return nil
	})
	return text, made, err
}

func checkKey(name string, scopes, sites []string) error {
	if !layout.ValidID(name) {
		return fmt.Errorf("%w: the name %q is not 1 to 64 characters of a-z, 0-9, '-' and '_'", ErrKeySpec, name)
	}
	if len(scopes) == 0 || len(sites) == 0 {
		return fmt.Errorf("%w: it needs at least one scope (%s) and one site (\"*\" for all)", ErrKeySpec, strings.Join(Scopes(), ", "))
	}
	for _, s := range scopes {
		if !slices.Contains(Scopes(), s) {
			return fmt.Errorf("%w: there is no scope %q%s; the scopes are %s", ErrKeySpec, s,
				doc.OrDidYouMean(s, Scopes()), strings.Join(Scopes(), ", "))
		}
	}
	for _, s := range sites {
		if s != AllSites && !ValidSite(s) {
			return fmt.Errorf("%w: %q can't be a site", ErrKeySpec, s)
		}
	}
	return nil
}

// ListKeys returns all keys, those that were revoked included, in the order in which they were
// made.
func ListKeys(ctx context.Context, st store.Documents) ([]Key, error) {
	doc, _, err := loadKeys(ctx, st)
	return doc.Keys, err
}

// RevokeKey disables a key for good, with the texts that it had before and that still work.
func RevokeKey(ctx context.Context, st store.Documents, name, by string, now time.Time) error {
	return changeKeys(ctx, st, by, now, "key "+name+" revoked", func(doc *keyDocument) error {
		at := now.UTC().Truncate(time.Second)
		found, master, others := false, false, false
		for i := range doc.Keys {
			k := &doc.Keys[i]
			admin := k.live(now) && k.Until == nil && slices.Contains(k.Scopes, ScopeAdmin) && k.AllSites()
			switch {
			case k.Name != name:
				others = others || admin
			case k.live(now):
				found, master = true, master || admin
				k.Disabled = &at
			}
		}
		switch {
		case !found:
			return ErrUnknownKey
		case master && !others:
			return ErrLastAdmin
		}
		return nil
	})
}

// ValidSite reports whether a site may have this id. Ids that begin with '_' are the service's own.
func ValidSite(id string) bool { return layout.ValidID(id) && id[0] != '_' }

// keyFresh is how old the keys in memory may be: a key that is revoked on any node ends here within
// this time.
const keyFresh = time.Second

// keyKept is how old the keys in memory may be for a route that goes on while the store is away.
const keyKept = 24 * time.Hour

// keyRing keeps the keys in memory by their hash. Looking up a hash takes a time that says nothing
// about the texts of keys, since whoever guesses can't steer the hash of what they send.
type keyRing struct {
	store   store.Documents
	now     func() time.Time
	ring    atomic.Pointer[keysAt]
	reading chan struct{} // has one place, for who reads them again
}

// keysAt are the keys that hold at a time, by their hash.
type keysAt struct {
	at     time.Time
	byHash map[[sha256.Size]byte]*Key
}

func newKeyRing(st store.Documents, now func() time.Time) *keyRing {
	return &keyRing{store: st, now: now, reading: make(chan struct{}, 1)}
}

// of returns the key that a request carries. With old, one of those that were last read will do if
// they can't be read now.
func (r *keyRing) of(req *http.Request, old bool) (*Key, error) {
	header := req.Header.Get("Authorization")
	if header == "" {
		return nil, Problemf(CodeUnauthorized, "There is no key; send the header Authorization: Bearer lk_...")
	}
	scheme, text, _ := strings.Cut(header, " ")
	if !strings.EqualFold(scheme, "Bearer") {
		return nil, Problemf(CodeUnauthorized, "The header Authorization must be: Bearer lk_...")
	}
	return r.byText(req.Context(), text, old)
}

// byText returns the key with a text.
func (r *keyRing) byText(ctx context.Context, text string, old bool) (*Key, error) {
	keys, err := r.at(ctx, old)
	if err != nil {
		return nil, err
	}
	k := keys[sha256.Sum256([]byte(strings.TrimSpace(text)))]
	if k == nil {
		return nil, Problemf(CodeUnauthorized, "The key is not known, or it was revoked.")
	}
	if k.expired(r.now()) {
		return nil, Problemf(CodeUnauthorized, "The key %q ended at %s; ask for a new one.", k.Name, k.Until.UTC().Format(time.RFC3339))
	}
	return k, nil
}

// at returns the keys by their hashes. With old, those that were last read will do if they can't be
// read now.
func (r *keyRing) at(ctx context.Context, old bool) (map[[sha256.Size]byte]*Key, error) {
	if old {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, keyFresh)
		defer cancel()
	}
	keys, err := r.fresh(ctx)
	if err != nil && old {
		if keys = r.within(keyKept); keys != nil {
			err = nil
		}
	}
	return keys, Unavailable(err)
}

// within returns the keys in memory, nil if they are older than that.
func (r *keyRing) within(limit time.Duration) map[[sha256.Size]byte]*Key {
	if k := r.ring.Load(); k != nil {
		if age := r.now().Sub(k.at); age >= 0 && age < limit {
			return k.byHash
		}
	}
	return nil
}

// fresh returns the keys as they were at most keyFresh ago. If they can't be read nobody is let in.
func (r *keyRing) fresh(ctx context.Context) (map[[sha256.Size]byte]*Key, error) {
	if keys := r.within(keyFresh); keys != nil {
		return keys, nil
	}
	select {
	case r.reading <- struct{}{}:
		defer func() { <-r.reading }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if keys := r.within(keyFresh); keys != nil {
		return keys, nil // somebody else read them meanwhile
	}
	now := r.now()
	doc, _, err := loadKeys(ctx, r.store)
	if err != nil {
		return nil, err
	}
	byHash := make(map[[sha256.Size]byte]*Key, len(doc.Keys))
	for i := range doc.Keys {
		k := &doc.Keys[i]
		var hash [sha256.Size]byte
		if n, err := hex.Decode(hash[:], []byte(k.Hash)); err == nil && n == len(hash) && k.Disabled == nil {
			byHash[hash] = k
		}
	}
	r.ring.Store(&keysAt{now, byHash})
	return byHash, nil
}

// forget makes the next request read the keys again.
func (r *keyRing) forget() { r.ring.Store(nil) }
