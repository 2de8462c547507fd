package rules

// Env is what one evaluation sees: plain values only, filled by the caller for each evaluation and
// never changed by a rule. A value that a subject does not have stays zero; missing data reads as
// empty text, 0, false or an empty list, so that every rule has an answer.
//
// In a condition the fields are written in lower case with dots: Env.Zone.Kind is zone.kind,
// Env.Product.HomeZones is product.home_zones. Names lists them all with their meaning.
type Env struct {
	Cause   string
	Item    Item
	Product Product
	Zone    Zone // where the subject is now
	From    Zone // where it was before
	Stock   Stock
	Items   Items
	Near    Near
	Passage Passage
	Reader  Reader
	Count   Count
	At      At
	Site    Site
}

// Item is the one tagged thing that an item rule is about.
type Item struct {
	Key         string // identity without encoding or filter value
	EPC         string // pure identity URI, or the raw bits of a tag that is no GS1 EPC
	Serial      string
	Disposition string // GS1 Core Business Vocabulary 2.0
	Paid        bool
	Sellable    bool
	Foreign     bool // not this shop's
	Registered  bool // its product is known
	Home        bool // in one of its home zones now
	Present     bool // heard somewhere now

	DaysUnheard   int // calendar days since a reader last heard it
	DaysUncounted int // calendar days since a count last found it

	AtOtherSite   string // the id of another shop of the store that has it in stock; empty: none is known
	OtherSiteName string
}

// Product is what the item is an instance of.
type Product struct {
	Known      bool
	GTIN       string
	SKU        string
	Name       string
	Category   string
	Price      float64
	HomeZones  []string
	Attributes map[string]string
}

// Zone is a place in the shop; all fields are empty when the subject is nowhere.
type Zone struct {
	ID     string
	Name   string
	Kind   string
	Storey string
}

// Stock counts the items of one product in one zone.
type Stock struct {
	Count      int
	Minimum    int // 0 with HasMinimum false: none is set
	Maximum    int
	HasMinimum bool
	HasMaximum bool
	Backroom   int // the product's items in stockroom zones
	Total      int // the product's items in all zones
	Short      int // how many are missing to the minimum, never below 0
}

// Items are those items of a zone that a rule about the zone counts.
type Items struct {
	Count         int
	Came          int // within the rule's time
	Went          int
	OldestSeconds float64 // how long the one that has been there longest has; 0: there is none
}

// Near is the door that an item lingers near.
type Near struct {
	Door     string // its zone id; empty: near none
	Name     string
	Seconds  float64 // how long it has
	PeakRSSI float64 // dBm, the strongest read; 0 when no strength was reported
}

// Passage is what a door's readers showed of an item that went through it, or is about to.
type Passage struct {
	Direction  string
	Sure       bool    // false: notified early, as likely
	Door       string  // the zone id of the door
	Confidence float64 // 0 to 1
	Reads      int
	PeakRSSI   float64 // dBm
	Seconds    float64 // from the first to the last read
}

// Reader is a read point.
type Reader struct {
	ID            string
	Role          string
	SilentSeconds float64
}

// Count is the result of a stock-take, or, with Overdue and IdleDays alone, a zone that is to be
// counted.
type Count struct {
	ID         string
	Expected   int
	Found      int
	Missing    int
	Unexpected int
	Accuracy   float64 // 0 to 1

	Zones       []string // ids of those that were counted
	Delivery    bool     // it checked a delivery against its papers
	Short       int      // of a delivery: pieces fewer than the papers say, product by product
	Over        int      // of a delivery: pieces more than they say, of products that they name
	Wrong       int      // of a delivery: pieces of products that they do not name
	MostShort   int      // pieces fewer than expected of the product that lacks most
	MostShortOf string   // the name of that product
	Overdue     bool     // no result: the zone was not counted by when the plan says
	IdleDays    int      // since the zone was counted, or is planned
}

// At is the time of the fact in the site's time zone.
type At struct {
	Hour    int
	Minute  int
	Weekday string // "monday" to "sunday"
	Date    string // "2026-11-25"
}

// Site is the shop.
type Site struct {
	ID   string
	Name string
	Open bool // within its opening hours

	Language string // of the people who work there, a tag in lower case; empty: none is set
}
