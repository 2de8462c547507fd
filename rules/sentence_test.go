package rules

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
)

// TestSentences pins what a rule is said to do.
func TestSentences(t *testing.T) {
	for _, c := range []struct{ keys, want string }{
		{"when: zone.kind == \"exit\" and passage.sure and item.sellable and not item.paid\ngather: 5s\nseverity: urgent\nsend: [door-team]\n" +
			"escalate: 5m\nescalate_to: [manager]",
			"For each item: when the zone's kind is exit, the passage is sure, it could be sold now and it is not paid for, an urgent alert opens and door-team is notified. What comes within 5s is one alert. If nobody acknowledges it for 5m, manager is notified too."},
		{"when: item.present and (zone.kind in [\"shelf\", \"floor\"] or product.price >= 49.5)\nhold: 10m\nhours: open\nmode: watch",
			"Only watched: recorded, and nobody is notified. For each item, in opening hours only: when it is in the shop and (the zone's kind is shelf or floor or the product's price is at least 49.5), for 10m on end, an alert opens and nobody is notified."},
		{"when: not (item.paid and zone.kind == \"exit\") and not (product.price < 5)",
			"For each item: when (it is not paid for or the zone's kind is not exit) and the product's price is at least 5, an alert opens and nobody is notified."},
		{"when: zone.kind not in [\"shelf\", \"floor\"] and zone.id in product.home_zones and not (zone.id in product.home_zones)",
			"For each item: when the zone's kind is not shelf or floor, the zone is among the zones where the product belongs and the zone is not among the zones where the product belongs, an alert opens and nobody is notified."},
		{"when: product.name contains \"Harbour Lights\" and from.id == \"\" and not (product.sku startsWith \"UB\")",
			"For each item: when the product's name contains \"Harbour Lights\", the zone before is empty and the product's sku does not begin with UB, an alert opens and nobody is notified."},
		{"when: time_between(\"22:00\", \"06:00\") and product.attributes.colour != \"blue\"\nhours: mon-fri 09:00-18:00\nmode: off",
			"Switched off. For each item, mon-fri 09:00-18:00 only: when the time of day is from 22:00 to 06:00 and the product's colour is not blue, an alert opens and nobody is notified."},
		{"about: stock\nwhen: stock.has_minimum and stock.count * 2 < stock.minimum and 3 <= stock.total\nclear: 5m\nlimit: 5 per 1h\nquiet: 2h",
			"For each product in each place: when a minimum is set, the minimum is more than `stock.count * 2` and the stock of the whole shop is at least 3, an alert opens and nobody is notified. Beyond 5 in 1h they become one alert. It clears when that has not been so for 5m. After somebody acknowledged or closed it there is none about the same for 2h."},
		{"about: zone\nitems: product.category == \"books\" and not item.paid\nwithin: 10m\nwhen: items.count > 20 or items.went > 3 or items.oldest_seconds > 3600",
			"For each zone, of the items of which the product's category is books and it is not paid for, within 10m: when the number of items there is more than 20, the number that went is more than 3 or the time that the oldest has been there is more than 1h, an alert opens and nobody is notified."},
		{"first: zone.kind == \"checkout\"\nwithin: 10m\nwhen: zone.kind == \"exit\"\nunless: item.paid\nhold: 4h open\nhours: closed",
			"For each item, outside opening hours only: when first the zone's kind is checkout and then, within 10m, the zone's kind is exit, and in between it is never true that it is paid for, for 4h of opening hours on end, an alert opens and nobody is notified."},
		{"first: cause == \"left\"\nwithin: 1h open\nunless: item.present",
			"For each item: when an item is no longer heard in its zone, and for 1h of opening hours after that it is never true that it is in the shop, an alert opens and nobody is notified."},
		{"about: reader\nwhen: reader.silent_seconds > 300\nsend: [a, b]\nremind: 4h\nseverity: info",
			"For each read point: when the reader's silence is more than 5m, an alert for information opens and a and b are notified. It is sent again every 4h until somebody acknowledges it."},
		{"about: count\nwhen: count.expected >= 20 and count.accuracy < 0.97",
			"For each count that is closed: when the number of items expected is at least 20 and the count's accuracy is less than 0.97, an alert opens and nobody is notified."},
		{"when: cause in [\"left\", \"passed\"] and cause != \"sold\"\ngather: 1m\ngather_by: from\nneeds: 6",
			"For each item: when either an item is no longer heard in its zone or an item went through a portal and what just happened is not sold, an alert opens and nobody is notified. What comes within 1m from one zone is one alert. Only if 6 come together."},
		{"when: |\n  any(product.home_zones, # startsWith \"shelf\") and not (item.paid ? item.home : item.present)",
			"For each item: when `any(product.home_zones, # startsWith \"shelf\")` is true and `item.paid ? item.home : item.present` is false, an alert opens and nobody is notified."},
	} {
		set := compile(t, "rules:\n- name: a\n  "+strings.ReplaceAll(c.keys, "\n", "\n  "))
		if got := set.Rules()[0].Sentence(); got != c.want {
			t.Errorf("%s\n%s", c.keys, got)
		}
	}
	set := compile(t, choosing)
	for site, want := range map[string]string{"": "For each item: when the zone's kind is exit, an alert opens and door-team is notified. But when the shop is closed: an urgent alert opens and door-team is notified, with words of its own. Else when the product's price is at least 50 (params.dear): an urgent alert opens and manager and door-team are notified. Else when the product's price is 0: an alert for information opens and nobody is notified.", "harbour": "For each item: when the zone's kind is exit, an alert opens and guard and manager are notified. But when the shop is closed: an urgent alert opens and guard and manager are notified, with words of its own. Else when the product's price is at least 20 (params.dear): an urgent alert opens and manager and guard are notified. Else when the product's price is 0: an alert for information opens and nobody is notified."} {
		if got := set.ForSite(site).Rules()[0].Sentence(); got != want {
			t.Errorf("%s: %s", site, got)
		}
	}
}

// Every name reads as something, and the opposite as something else.
func TestEveryNameReadsInWords(t *testing.T) {
	for _, n := range Names() {
		for _, about := range n.Subjects {
			within := ""
			if n.Name == cameName || n.Name == wentName {
				within = "  within: 10m\n"
			}
			rule := func(when string) string {
				return compile(t, "rules:\n- name: a\n  about: "+about+"\n"+within+"  when: |\n    "+when+"\n").Rules()[0].Sentence()
			}
			if n.Name == "cause" && about != event.AboutItem {
				continue
			}
			yes, no := rule(n.Example), rule("not ("+n.Example+")")
			require.NotEqual(t, yes, no)
			require.NotContains(t, yes+no, "`", n.Name)
			require.NotContains(t, yes+no, "  ", n.Name)
		}
	}
}
