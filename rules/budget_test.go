package rules

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// dear is a condition near the most that one may cost alone: it compares a thousand numbers four times.
const dear = `any(1..1000, # - 9000 == at.hour or # - 8000 == at.minute or # + 7000 == passage.reads or # + 9000 == at.minute)`

func ruleEach(n int, conditions ...string) string {
	var b strings.Builder
	b.WriteString("rules:\n")
	for i := range n {
		fmt.Fprintf(&b, "- name: rule-%d\n  when: >-\n    %s\n", i, strings.ReplaceAll(conditions[i%len(conditions)], "%", fmt.Sprint(i)))
	}
	return b.String()
}

func TestRulesThatTakeTooLongTogetherAreRefused(t *testing.T) {
	text := ruleEach(4900, dear)
	set, found := Check("rules.yaml", []byte(text), Known{})
	require.Nil(t, set)
	require.Len(t, found, 1)
	require.Contains(t, found[0].Reason, "one fact can have 4900 rules about item evaluated, which take ")
	require.Contains(t, found[0].Reason, "at most 50 ms are allowed")
	require.Contains(t, found[0].Hint, "the dearest are rule-0 (")
	require.Equal(t, "rule-0", found[0].Rule)
	require.Equal(t, 2, found[0].Line)

	// What a store has from before must go on.
	doc, found := Parse("rules.yaml", []byte(text))
	require.Empty(t, found)
	set, found = Compile(doc, Known{})
	require.NotNil(t, set, found)

	// Each by itself is fine, and so are many that one fact can't meet together.
	for _, fine := range []string{ruleEach(50, dear), ruleEach(4900, `zone.id == "shelf-%" and `+dear), shelfRules(MaxRules),
		ruleEach(300, `product.name matches "(?i)first +edition"`), ruleEach(MaxRules, `zone.kind == "exit" and not item.paid`),
		ruleEach(1000, `any(product.home_zones, # == zone.id) and passage.reads < %`)} {
		set, found := Check("rules.yaml", []byte(fine), Known{})
		require.NotNil(t, set, found)
	}
	set, _ = Check("rules.yaml", []byte(ruleEach(4900, `zone.id == "shelf-a" and `+dear)), Known{})
	require.Nil(t, set, "all ask for one zone")
}

// TestTheCostOfARuleIsItsWorst compares the estimate with the clock of the processor. It may be too
// high by much, since few conditions do their worst, but it must not be too low.
func TestTheCostOfARuleIsItsWorst(t *testing.T) {
	if raceDetector {
		t.Skip("the race detector makes everything slow")
	}
	worst := passing()
	worst.Product.Name, worst.Product.HomeZones = strings.Repeat("a", stored.text), nil
	for i := range stored.elements {
		worst.Product.HomeZones = append(worst.Product.HomeZones, strings.Repeat("a", 60)+fmt.Sprint(i))
	}
	for _, when := range []string{dear, "item.paid", `zone.kind == "exit" and not item.paid`, `product.name contains "edition"`,
		`product.name matches "(a|aa)+b"`, `lower(product.name) == "x"`, `any(product.home_zones, # contains zone.id)`,
		`count(product.home_zones, any(product.home_zones, # == "b")) > 3`} {
		set := compile(t, ruleEach(1, when))
		e, r := set.NewEvaluator(), set.Rules()[0]
		best := time.Hour
		for range 20 {
			const runs = 20
			begin := busy()
			for range runs {
				_, _ = e.True(r, worst)
			}
			best = min(best, (busy()-begin)/runs)
		}
		t.Logf("%-60.60s cost %8d took %8d", when, r.Cost(), best.Nanoseconds())
		require.Less(t, best.Nanoseconds(), int64(2*r.Cost()+2000), when)
	}
}
