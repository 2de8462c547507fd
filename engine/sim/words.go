package sim

// Titles are put together from three words that nobody would put together, so that none of them is
// a book that exists.
var (
	titleFirst = []string{
		"Tin", "Marmalade", "Velvet", "Seven-Penny", "Upside-Down", "Paper", "Copper", "Lopsided", "Thistle",
		"Borrowed", "Clockwork", "Woollen",
		"Sunday", "Salted", "Whistling", "Umbrella", "Left-Handed", "Plum", "Quarter", "Moth-Eaten", "Pocket",
		"Gingham", "Foghorn", "Custard",
	}
	titleSecond = []string{
		"Heron", "Ferry", "Lantern", "Gasworks", "Orchard", "Turnip", "Lighthouse", "Tramway", "Badger", "Teapot", "Harbour", "Sparrow",
		"Weathervane", "Bicycle", "Snowdrop", "Barometer", "Bandstand", "Chimney", "Mackerel", "Signalbox", "Hedgehog",
		"Windmill", "Rowan", "Kettle",
	}
)

// category is one department of the shop: its name, the shelf it stands on, how many products it
// has, and the last words of their titles.
type category struct {
	name     string
	home     string
	products int
	tables   int // how many of them also lie on the front tables
	low, top int // prices in pence
	last     []string
}

var categories = []category{
	{"novels", "shelf-a", 60, 20, 799, 1899, []string{"Inheritance", "Quartet", "Correspondence", "Winter", "Daughters", "Arrangement"}},
	{"crime", "shelf-b", 45, 8, 799, 1499, []string{"Alibi", "Verdict", "Witness", "Misadventure", "Affair"}},
	{"travel", "shelf-c", 35, 4, 999, 2499, []string{"Road", "Timetable", "Crossing", "Wanderings"}},
	{"cookery", "shelf-d", 30, 3, 1499, 2999, []string{"Larder", "Suppers", "Kitchen", "Puddings"}},
	{"science", "shelf-e", 30, 2, 1099, 2499, []string{"Equations", "Hypothesis", "Field Guide", "Experiment"}},
	{"poetry", "shelf-f", 25, 2, 699, 1299, []string{"Odes", "Stanzas", "Elegies", "Verses"}},
	{"children", "childrens-room", 45, 3, 499, 999, []string{"Picnic", "Parade", "Expedition", "Birthday", "Circus"}},
	{"stationery", "front-tables", 30, 0, 199, 1299, []string{"Notebook", "Pencils", "Wrapping Paper", "Postcards", "Diary"}},
}
