package boltstore

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"os"

	"lintel/engine/store"
)

// What a file of bbolt consists of: pages, of which each begins with its number (8 bytes), flags
// (2), count of elements (2) and number of pages that it goes on for (4), in the byte order of the
// machine. Pages 0 and 1 are both "meta": the valid one with the higher transaction counts. The
// format is fixed by bbolt's version 2 of the file, in its package internal/common.
const (
	pageSize   = 4096
	pageHeader = 16
	pageBranch = 0x01
	pageLeaf   = 0x02
	elementLen = 16
	inBucket   = 16 // before an inline page: root (8), sequence (8)
	leafBucket = 0x01

	metaMagic    = 0xED0CDAED
	metaVersion  = 2
	metaRoot     = 16 // where things stand within a meta
	metaPages    = 40
	metaTx       = 48
	metaChecksum = 56
)

// damaged makes an error about a file that is not whole.
func damaged(format string, args ...any) error {
	return fmt.Errorf("%w: restore it from a backup (lintel restore): "+format, append([]any{store.ErrDamaged}, args...)...)
}

// Verify reads a whole file of this package, which nobody may write to meanwhile, and returns
// store.ErrDamaged unless each of its pages can be read, belongs where it is referred to and has
// its keys in order. bbolt itself expects that: on a page that was cut off or overwritten it ends
// the process, in goroutines of its own. What records mean is not looked at.
func Verify(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	v := verifier{file: f, size: info.Size()}
	root, err := v.meta()
	if err != nil {
		return err
	}
	v.seen = make([]uint64, v.pages/64+1) // at most a bit for each page that the file really has
	return v.tree(root)
}

// verifier walks a file.
type verifier struct {
	file  io.ReaderAt
	size  int64
	pages uint64   // in use, and free ones between them
	seen  []uint64 // a bit for each page that was referred to
}

// meta finds the root of the newest state.
func (v *verifier) meta() (root uint64, err error) {
	var newest uint64
	for i := range int64(2) {
		b := make([]byte, pageHeader+metaChecksum+8)
		if _, err := v.file.ReadAt(b, i*pageSize); err != nil && !errors.Is(err, io.EOF) {
			return 0, err
		}
		m := b[pageHeader:]
		sum := fnv.New64a()
		_, _ = sum.Write(m[:metaChecksum]) // never fails
		if u32(m) != metaMagic || u32(m[4:]) != metaVersion || u64(m[metaChecksum:]) != sum.Sum64() {
			continue
		}
		if size := u32(m[8:]); size != pageSize {
			return 0, damaged("its pages have %d bytes, not %d", size, pageSize)
		}
		if tx := u64(m[metaTx:]); root == 0 || tx > newest {
			newest, root, v.pages = tx, u64(m[metaRoot:]), u64(m[metaPages:])
		}
	}
	switch {
	case root == 0:
		return 0, damaged("neither of its two first pages can be read")
	case v.pages > uint64(v.size)/pageSize:
		return 0, damaged("it was cut off: it has %d bytes of at least %d", v.size, v.pages*pageSize)
	}
	return root, nil
}

// ref is a page that something refers to, and between which keys its own must be: from min on and
// before max, nil for no bound.
type ref struct {
	page     uint64
	min, max []byte
}

// tree walks all pages of a bucket, and of the buckets in it.
func (v *verifier) tree(root uint64) error {
	for todo := []ref{{page: root}}; len(todo) > 0; {
		r := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		page, err := v.page(r.page)
		if err != nil {
			return err
		}
		var ok bool
		if todo, ok = elements(page, r, todo); !ok {
			return damaged("page %d can't be read", r.page)
		}
	}
	return nil
}

// page reads one page and those that it goes on for.
func (v *verifier) page(id uint64) ([]byte, error) {
	if id < 2 || id >= v.pages {
		return nil, damaged("something refers to page %d of %d", id, v.pages)
	}
	b := make([]byte, pageSize)
	if _, err := v.file.ReadAt(b, int64(id)*pageSize); err != nil {
		return nil, err
	}
	more := uint64(u32(b[12:]))
	if u64(b) != id || more >= v.pages-id {
		return nil, damaged("page %d holds something else", id)
	}
	for i := id; i <= id+more; i++ {
		if v.seen[i/64]&(1<<(i%64)) != 0 {
			return nil, damaged("page %d is in two places", i)
		}
		v.seen[i/64] |= 1 << (i % 64)
	}
	if more > 0 {
		b = append(b, make([]byte, more*pageSize)...)
		if _, err := v.file.ReadAt(b[pageSize:], int64(id+1)*pageSize); err != nil {
			return nil, err
		}
	}
	return b, nil
}

// elements checks those of a page, and adds the pages that they refer to to todo.
func elements(page []byte, r ref, todo []ref) (_ []ref, ok bool) {
	flags, count := binary.NativeEndian.Uint16(page[8:]), int(binary.NativeEndian.Uint16(page[10:]))
	if flags != pageBranch && flags != pageLeaf || pageHeader+count*elementLen > len(page) || flags == pageBranch && count == 0 {
		return nil, false
	}
	children := len(todo)
	var last []byte
	for i := range count {
		at := pageHeader + i*elementLen
		e := page[at : at+elementLen]
		// Of a branch: position, length of the key, page. Of a leaf: flags, position, lengths of the
		// key and of the value.
		position, keyLen, valueLen := u32(e), u32(e[4:]), uint32(0)
		if flags == pageLeaf {
			position, keyLen, valueLen = u32(e[4:]), u32(e[8:]), u32(e[12:])
		}
		from := uint64(at) + uint64(position)
		to := from + uint64(keyLen)
		if to+uint64(valueLen) > uint64(len(page)) {
			return nil, false
		}
		key := page[from:to]
		if i > 0 && bytes.Compare(last, key) >= 0 || i == 0 && bytes.Compare(r.min, key) > 0 ||
			r.max != nil && bytes.Compare(key, r.max) >= 0 {
			return nil, false
		}
		last = key
		if flags == pageBranch {
			if i > 0 {
				todo[children+i-1].max = key
			}
			todo = append(todo, ref{u64(e[8:]), key, r.max})
			continue
		}
		if u32(e)&leafBucket == 0 {
			continue
		}
		switch bucket := page[to : to+uint64(valueLen)]; {
		case len(bucket) < inBucket:
			return nil, false
		case u64(bucket) != 0:
			todo = append(todo, ref{page: u64(bucket)})
		case len(bucket) < inBucket+pageHeader:
			return nil, false
		default:
			if todo, ok = elements(bucket[inBucket:], ref{}, todo); !ok {
				return nil, false
			}
		}
	}
	return todo, true
}

func u32(b []byte) uint32 { return binary.NativeEndian.Uint32(b) }
func u64(b []byte) uint64 { return binary.NativeEndian.Uint64(b) }
