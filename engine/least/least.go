// Package least keeps the least of many values, for answers that come in pages: what is kept at any
// time is one page, however much is looked at.
package least

import (
	"container/heap"
	"slices"
)

// Of keeps the Limit least values of those that it is offered, by Cmp (as for slices.SortFunc).
type Of[T any] struct {
	Limit int
	Cmp   func(a, b T) int
	kept  kept[T]
}

// Offer takes a value into account.
func (l *Of[T]) Offer(v T) {
	l.kept.cmp = l.Cmp
	switch list := l.kept.list; {
	case len(list) < l.Limit:
		heap.Push(&l.kept, v)
	case l.Limit > 0 && l.Cmp(v, list[0]) < 0:
		list[0] = v
		heap.Fix(&l.kept, 0)
	}
}

// Sorted returns the values that were kept, the least first. Nothing may be offered afterwards.
func (l *Of[T]) Sorted() []T {
	slices.SortFunc(l.kept.list, l.Cmp)
	return l.kept.list
}

// Range returns the values from place skip on, at most limit of them, as they would stand if all
// were sorted. It takes time by the number of values and sorts no more than it returns. list is
// reordered.
func Range[T any](list []T, skip, limit int, cmp func(a, b T) int) []T {
	if skip >= len(list) {
		return nil
	}
	part(list, skip, cmp)
	list = list[skip:]
	if limit < len(list) {
		part(list, limit, cmp)
		list = list[:limit]
	}
	slices.SortFunc(list, cmp)
	return list
}

// part moves the k least values to the front (C. A. R. Hoare, Algorithm 65: Find, 1961).
func part[T any](list []T, k int, cmp func(a, b T) int) {
	for low, high := 0, len(list)-1; low < high; {
		i, j := low, high
		for pivot := list[low+(high-low)/2]; i <= j; {
			for cmp(list[i], pivot) < 0 {
				i++
			}
			for cmp(pivot, list[j]) < 0 {
				j--
			}
			if i <= j {
				list[i], list[j] = list[j], list[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			high = j
		case k >= i:
			low = i
		default:
			return
		}
	}
}

// kept is a heap with the greatest value on top.
type kept[T any] struct {
	list []T
	cmp  func(a, b T) int
}

func (k *kept[T]) Len() int           { return len(k.list) }
func (k *kept[T]) Less(i, j int) bool { return k.cmp(k.list[i], k.list[j]) > 0 }
func (k *kept[T]) Swap(i, j int)      { k.list[i], k.list[j] = k.list[j], k.list[i] }
func (k *kept[T]) Push(v any)         { k.list = append(k.list, v.(T)) }
func (k *kept[T]) Pop() any           { panic("least: nothing is ever taken out") }
