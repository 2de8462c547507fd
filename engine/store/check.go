package store

import (
	"errors"
	"fmt"
)

// ErrInvalid says that an argument breaks the contract: a name with a byte that is not allowed, a
// key that is too long, facts out of order. Nothing was changed, and the same call will never
// succeed.
var ErrInvalid = errors.New("store: invalid argument")

// Limits that hold for every engine, so that what one engine took another can take over.
const (
	// MaxKey is the most bytes of a record key, an idempotency key or a fingerprint.
	MaxKey = 1024
	// MaxValue is the most bytes of an entry, a record, a fact or the body of a document.
	MaxValue = 64 << 20
	// MaxPuts is the most documents or values that are stored together, and MaxPutBytes the most
	// bytes that their bodies have in all.
	MaxPuts     = 10_000
	MaxPutBytes = 2 * MaxValue
)

// CheckSite returns an ErrInvalid that says what is wrong with the name of a site, or nil.
func CheckSite(site string) error {
	if len(site) == 0 || len(site) > 64 {
		return fmt.Errorf("%w: a site name has 1 to 64 bytes, this one has %d", ErrInvalid, len(site))
	}
	for i := range len(site) {
		if c := site[i]; !lowerOrDigit(c) && c != '-' && c != '_' {
			return fmt.Errorf("%w: site %q: byte %d is not one of a-z 0-9 - _", ErrInvalid, site, i)
		}
	}
	return nil
}

// CheckDocumentName returns an ErrInvalid that says what is wrong with the name of a document, or
// nil.
func CheckDocumentName(name string) error {
	if len(name) == 0 || len(name) > 128 {
		return fmt.Errorf("%w: a document name has 1 to 128 bytes, this one has %d", ErrInvalid, len(name))
	}
	for i := range len(name) {
		if c := name[i]; !lowerOrDigit(c) && c != '-' && c != '_' && c != '.' && c != '/' {
			return fmt.Errorf("%w: document %q: byte %d is not one of a-z 0-9 - _ . /", ErrInvalid, name, i)
		}
	}
	return nil
}

// CheckKind returns an ErrInvalid that says what is wrong with a kind of records, or nil.
func CheckKind(kind Kind) error {
	if len(kind) == 0 || len(kind) > 16 {
		return fmt.Errorf("%w: a kind has 1 to 16 bytes, this one has %d", ErrInvalid, len(kind))
	}
	for i := range len(kind) {
		if c := kind[i]; c < 'a' || c > 'z' {
			return fmt.Errorf("%w: kind %q: byte %d is not one of a-z", ErrInvalid, kind, i)
		}
	}
	return nil
}

// CheckEntries returns an ErrInvalid that names the first entry that no engine takes, or nil.
func CheckEntries(entries []NewEntry) error {
	for i := range entries {
		e := &entries[i]
		switch {
		case len(e.Data) > MaxValue:
			return fmt.Errorf("%w: entry %d has %d bytes, the most is %d", ErrInvalid, i, len(e.Data), MaxValue)
		case len(e.IdempotencyKey) > MaxKey:
			return fmt.Errorf("%w: the idempotency key of entry %d has %d bytes, the most is %d",
				ErrInvalid, i, len(e.IdempotencyKey), MaxKey)
		case len(e.Fingerprint) > MaxKey:
			return fmt.Errorf("%w: the fingerprint of entry %d has %d bytes, the most is %d", ErrInvalid, i, len(e.Fingerprint), MaxKey)
		}
	}
	return nil
}

// CheckRecords returns an ErrInvalid that says what is wrong with the arguments of Records or
// Values, or nil.
func CheckRecords(kind Kind, keys []string) error {
	if kind != "" {
		return CheckKind(kind)
	}
	if len(keys) > 0 {
		return fmt.Errorf("%w: keys need a kind", ErrInvalid)
	}
	return nil
}

// Check returns an ErrInvalid that says what no engine takes in the commit, or nil.
func (c *Commit) Check() error {
	if !c.Loose && c.Next < c.Expect {
		return fmt.Errorf("%w: a commit can't move the cursor back from %d to %d", ErrInvalid, c.Expect, c.Next)
	}
	for i := range c.Deletes {
		if err := checkRecord("delete", i, c.Deletes[i].Kind, c.Deletes[i].Key, 0); err != nil {
			return err
		}
	}
	for i := range c.Writes {
		if err := checkRecord("write", i, c.Writes[i].Kind, c.Writes[i].Key, len(c.Writes[i].Value)); err != nil {
			return err
		}
	}
	var last FactID
	for i := range c.Facts {
		f := &c.Facts[i]
		switch {
		case f.ID.Ms < 0:
			return fmt.Errorf("%w: fact %d has a time before 1970", ErrInvalid, i)
		case f.ID.Compare(last) <= 0:
			return fmt.Errorf("%w: the id of fact %d (%d-%d) does not grow past %d-%d", ErrInvalid, i, f.ID.Ms, f.ID.N, last.Ms, last.N)
		case len(f.Data) > MaxValue:
			return fmt.Errorf("%w: fact %d has %d bytes, the most is %d", ErrInvalid, i, len(f.Data), MaxValue)
		}
		last = f.ID
	}
	return nil
}

func checkRecord(what string, i int, kind Kind, key string, size int) error {
	if err := CheckKind(kind); err != nil {
		return fmt.Errorf("%s %d: %w", what, i, err)
	}
	if len(key) > MaxKey {
		return fmt.Errorf("%w: the key of %s %d has %d bytes, the most is %d", ErrInvalid, what, i, len(key), MaxKey)
	}
	if size > MaxValue {
		return fmt.Errorf("%w: %s %d has %d bytes, the most is %d", ErrInvalid, what, i, size, MaxValue)
	}
	return nil
}

// CheckDocument returns an ErrInvalid that says what no engine takes in a document to put, or nil.
func CheckDocument(d *Document, expect int) error {
	if err := CheckDocumentName(d.Name); err != nil {
		return err
	}
	if expect < 0 {
		return fmt.Errorf("%w: document %q: expected version %d is negative", ErrInvalid, d.Name, expect)
	}
	if len(d.Body) > MaxValue {
		return fmt.Errorf("%w: document %q has %d bytes, the most is %d", ErrInvalid, d.Name, len(d.Body), MaxValue)
	}
	return nil
}

// CheckPuts returns an ErrInvalid that says what no engine takes in documents to put together, or
// nil.
func CheckPuts(puts []DocumentPut) error {
	if len(puts) > MaxPuts {
		return fmt.Errorf("%w: %d documents at once, the most is %d", ErrInvalid, len(puts), MaxPuts)
	}
	size, seen := 0, make(map[string]bool, len(puts))
	for i := range puts {
		p := &puts[i]
		if err := CheckDocument(&p.Document, p.Expect); err != nil {
			return err
		}
		if seen[p.Document.Name] {
			return fmt.Errorf("%w: document %q stands twice", ErrInvalid, p.Document.Name)
		}
		seen[p.Document.Name] = true
		if !p.Keep {
			size += len(p.Document.Body)
		}
	}
	if size > MaxPutBytes {
		return fmt.Errorf("%w: documents of %d bytes at once, the most is %d", ErrInvalid, size, MaxPutBytes)
	}
	return nil
}

// CheckValues returns an ErrInvalid that says what no engine takes in a change of values, or nil.
func CheckValues(values []Value) error {
	if len(values) > MaxPuts {
		return fmt.Errorf("%w: %d values at once, the most is %d", ErrInvalid, len(values), MaxPuts)
	}
	size, seen := 0, make(map[RecordKey]bool, len(values))
	for i := range values {
		v := &values[i]
		if err := checkRecord("value", i, v.Kind, v.Key, len(v.Data)); err != nil {
			return err
		}
		if k := (RecordKey{v.Kind, v.Key}); seen[k] {
			return fmt.Errorf("%w: value %q of kind %s stands twice", ErrInvalid, v.Key, v.Kind)
		} else {
			seen[k] = true
		}
		size += len(v.Data)
	}
	if size > MaxPutBytes {
		return fmt.Errorf("%w: values of %d bytes at once, the most is %d", ErrInvalid, size, MaxPutBytes)
	}
	return nil
}

func lowerOrDigit(c byte) bool { return c >= 'a' && c <= 'z' || c >= '0' && c <= '9' }
