package storetest

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"

	"github.com/stretchr/testify/require"

	"lintel/engine/store"
)

// kind returns a kind of values that no other test uses.
func kind() store.Kind {
	letters := []byte(strconv.FormatInt(names.Add(1), 10) + run)
	for i, c := range letters {
		letters[i] = 'a' + c%26
	}
	return store.Kind(letters[:min(16, len(letters))])
}

// values lists the values of a kind as "key": "data", and checks that none is listed twice.
func (e *env) values(kind store.Kind, keys ...string) map[string]string {
	e.Helper()
	all := map[string]string{}
	require.NoError(e, e.Values(e.ctx, kind, keys, func(v store.Value) error {
		require.Equal(e, kind, v.Kind)
		require.NotContains(e, all, v.Key)
		all[v.Key] = string(v.Data)
		return nil
	}))
	return all
}

// set sets one value and returns its revision.
func (e *env) set(kind store.Kind, key, data string, expect store.Revision) store.Revision {
	e.Helper()
	rev, err := e.SetValues(e.ctx, store.Value{Kind: kind, Key: key, Data: []byte(data), Revision: expect})
	require.NoError(e, err)
	require.NotZero(e, rev)
	require.NoError(e, e.Values(e.ctx, kind, []string{key}, func(v store.Value) error {
		require.Equal(e, store.Value{Kind: kind, Key: key, Data: []byte(data), Revision: rev}, v)
		return nil
	}))
	return rev
}

var valueTests = []test{
	{"ComparedBeforeTheyAreSet", func(e *env) {
		k := kind()
		require.Empty(e, e.values(k))
		first := e.set(k, "a", "1", 0)
		second := e.set(k, "a", "2", first)
		require.Greater(e, second, first)
		for _, stale := range []store.Revision{0, first, second + 1} {
			for _, data := range [][]byte{[]byte("3"), nil} {
				_, err := e.SetValues(e.ctx, store.Value{Kind: k, Key: "a", Data: data, Revision: stale})
				require.ErrorIs(e, err, store.ErrConflict)
			}
		}
		require.Equal(e, map[string]string{"a": "2"}, e.values(k))
		_, err := e.SetValues(e.ctx, store.Value{Kind: k, Key: "a", Revision: second})
		require.NoError(e, err)
		require.Empty(e, e.values(k))
		_, err = e.SetValues(e.ctx, store.Value{Kind: k, Key: "a", Revision: 0})
		require.NoError(e, err, "there is nothing to delete, as expected")
		third := e.set(k, "a", "3", 0)
		require.Greater(e, third, second, "no revision comes twice")
		e.set(k, "a", "4", store.AnyRevision)
		e.set(k, "b", "5", store.AnyRevision)
		_, err = e.SetValues(e.ctx, store.Value{Kind: k, Key: "c", Revision: store.AnyRevision})
		require.NoError(e, err)
		require.Equal(e, map[string]string{"a": "4", "b": "5"}, e.values(k))
	}},
	{"AllOrNone", func(e *env) {
		k, other := kind(), kind()
		a := e.set(k, "a", "1", 0)
		b := e.set(other, "b", "1", 0)
		change := func(b store.Revision) (store.Revision, error) {
			return e.SetValues(e.ctx, store.Value{Kind: k, Key: "a", Data: []byte("2"), Revision: a},
				store.Value{Kind: other, Key: "a", Data: []byte("new")}, store.Value{Kind: other, Key: "b", Revision: b})
		}
		_, err := change(b + 1)
		require.ErrorIs(e, err, store.ErrConflict)
		require.Equal(e, map[string]string{"a": "1"}, e.values(k))
		require.Equal(e, map[string]string{"b": "1"}, e.values(other))
		rev, err := change(b)
		require.NoError(e, err)
		require.Equal(e, map[string]string{"a": "2"}, e.values(k))
		require.Equal(e, map[string]string{"a": "new"}, e.values(other))
		e.set(k, "a", "3", rev)
		e.set(other, "a", "3", rev)
		none, err := e.SetValues(e.ctx)
		require.NoError(e, err)
		require.Zero(e, none)
	}},
	{"ListedByKindAndKey", func(e *env) {
		k, longer := kind(), kind()
		want := map[string]string{"": "", "a\x00": "\xff\x00", "*": "x:y", "\xff": ":"}
		for key, data := range want {
			e.set(k, key, data, 0)
		}
		e.set(longer, "elsewhere", "1", 0)
		require.Equal(e, want, e.values(k))
		require.Equal(e, map[string]string{"*": "x:y", "": ""}, e.values(k, "*", "", "nowhere"))
		every := map[store.Kind]int{}
		require.NoError(e, e.Values(e.ctx, "", nil, func(v store.Value) error { every[v.Kind]++; return nil }))
		require.Equal(e, len(want), every[k])
		require.Equal(e, 1, every[longer])

		many := map[string]string{}
		var puts []store.Value
		for i := range 1000 {
			key := fmt.Sprint("n", i)
			many[key] = key
			puts = append(puts, store.Value{Kind: k, Key: key, Data: []byte(key)})
		}
		_, err := e.SetValues(e.ctx, puts...)
		require.NoError(e, err)
		maps.Copy(many, want)
		require.Equal(e, many, e.values(k))

		ended := errors.New("ended")
		n := 0
		require.ErrorIs(e, e.Values(e.ctx, k, nil, func(store.Value) error { n++; return ended }), ended)
		require.Equal(e, 1, n)
	}},
	{"BelongToTheCaller", func(e *env) {
		k, data := kind(), []byte("before")
		_, err := e.SetValues(e.ctx, store.Value{Kind: k, Key: "a", Data: data})
		require.NoError(e, err)
		copy(data, "after!")
		require.Equal(e, map[string]string{"a": "before"}, e.values(k))
	}},
	{"OneOfManyWins", func(e *env) {
		k := kind()
		const workers, each = 8, 25
		together(workers, func(int) {
			for range each {
				for {
					var now store.Value
					err := e.Values(e.ctx, k, []string{"n"}, func(v store.Value) error {
						now = v
						now.Data = slices.Clone(v.Data)
						return nil
					})
					if err != nil {
						e.Errorf("values: %v", err)
						return
					}
					n, _ := strconv.Atoi(string(now.Data))
					now.Kind, now.Key, now.Data = k, "n", strconv.AppendInt(nil, int64(n+1), 10)
					_, err = e.SetValues(e.ctx, now)
					if err == nil {
						break
					}
					if !isConflict(err) {
						e.Errorf("set: %v", err)
						return
					}
				}
			}
		})
		require.Equal(e, map[string]string{"n": fmt.Sprint(workers * each)}, e.values(k))
	}},
	{"SharedBetweenClients", func(e *env) {
		other, k := e.other(), kind()
		rev := e.set(k, "a", "1", 0)
		_, err := other.SetValues(e.ctx, store.Value{Kind: k, Key: "a", Data: []byte("2"), Revision: rev})
		require.NoError(e, err)
		_, err = e.SetValues(e.ctx, store.Value{Kind: k, Key: "a", Data: []byte("3"), Revision: rev})
		require.ErrorIs(e, err, store.ErrConflict)
		require.Equal(e, map[string]string{"a": "2"}, e.values(k))
	}},
	{"RefusesBadValues", func(e *env) {
		k := kind()
		for _, bad := range [][]store.Value{
			{{Kind: "", Key: "a", Data: []byte("1")}},
			{{Kind: "Kind", Key: "a", Data: []byte("1")}},
			{{Kind: k, Key: string(make([]byte, store.MaxKey+1)), Data: []byte("1")}},
			{{Kind: k, Key: "a", Data: []byte("1")}, {Kind: k, Key: "a"}},
			make([]store.Value, store.MaxPuts+1),
		} {
			_, err := e.SetValues(e.ctx, bad...)
			require.ErrorIs(e, err, store.ErrInvalid)
		}
		none := func(store.Value) error { return nil }
		require.ErrorIs(e, e.Values(e.ctx, "Kind", nil, none), store.ErrInvalid)
		require.ErrorIs(e, e.Values(e.ctx, "", []string{"a"}, none), store.ErrInvalid)
		require.Empty(e, e.values(k))
	}},
}
