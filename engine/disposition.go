package engine

import (
	"fmt"

	"lintel/engine/layout"
)

// Disposition is an item's business state, in the terms of the GS1 Core Business Vocabulary 2.0 (Disposition).
type Disposition uint8

// The dispositions that Lintel keeps. The numbers are stored: add at the end, never renumber.
const (
	Unknown               Disposition = 0 // condition not known: a tag that nobody declared stock
	SellableAccessible    Disposition = 1 // sellable, within reach of customers
	SellableNotAccessible Disposition = 2 // sellable, out of customers' reach
	RetailSold            Disposition = 3 // paid for
	InTransit             Disposition = 4 // shipped, not yet received
	Inactive              Disposition = 5 // retired from use
	ReturnedGoods         Disposition = 6 // brought back, not yet sellable again
	NonSellable           Disposition = 7 // not sellable for another reason
)

var dispositionNames = [...]string{
	"unknown", "sellable_accessible", "sellable_not_accessible", "retail_sold", "in_transit", "inactive", "returned", "non_sellable_other",
}

func (d Disposition) String() string {
	if int(d) < len(dispositionNames) {
		return dispositionNames[d]
	}
	return fmt.Sprintf("disposition %d", uint8(d))
}

// Sellable reports whether an item in this state could be sold now.
func (d Disposition) Sellable() bool { return d == SellableAccessible || d == SellableNotAccessible }

// sellableIn is the sellable disposition that fits a place.
func sellableIn(k layout.Kind) Disposition {
	switch k {
	case layout.Shelf, layout.Floor, layout.Fitting:
		return SellableAccessible
	}
	return SellableNotAccessible
}

// declaresStock reports whether an item first heard in a place of this kind is taken to be stock. A tag first heard at the door, at the till or in no place may be
// anybody's: calling it unpaid stock would accuse a customer of carrying what they own.
func declaresStock(k layout.Kind) bool {
	switch k {
	case layout.Shelf, layout.Floor, layout.Fitting, layout.Stockroom, layout.Receiving:
		return true
	}
	return false
}
