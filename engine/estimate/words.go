package estimate

import (
	"fmt"
	"strings"
)

// words makes the sentence of an assessment that has everything else. It never says that a count is
// complete: no estimator can know.
func words(a *Assessment, in *Input, c Counts) string {
	var s string
	switch a.Reason {
	case Estimated:
		s = likely(a)
	case NothingRead:
		s = "No tag has been read yet"
		if a.Distinct > 0 { // in passes, but not outside of them
			s = "No tag was read in the passes that have ended, so nothing can be said about tags that were not read"
		}
	case MetOnce:
		s = "Nearly every tag was heard at one moment only, so repeats cannot say how many are still unread"
		if in.Passes >= 2 {
			s = "Nearly every tag was read in one pass only, so the passes cannot say how many are still unread"
		}
	case LowCoverage:
		s = "Not enough data: too many tags were heard at one moment only to say how many are still unread"
		if in.Passes >= 2 {
			s = "Not enough data: the passes found too many different tags to say how many are still unread"
		}
	case FewRare:
		s = fewRare(a, in, c)
	}
	if r := rate(a, in); r != "" {
		s += "; " + r
	}
	if e := expected(a); e != "" {
		s += "; " + e
	}
	return s + "."
}

func likely(a *Assessment) string {
	verb := "are"
	if a.UnseenAtLeast == 1 {
		verb = "is"
	}
	if a.UnseenAtLeast == 0 {
		if a.High == 0 {
			return "The reads do not show that more tags are here, and do not rule it out"
		}
		return fmt.Sprintf("The reads do not show that more tags are here, and do not rule it out (95 %%: 0 to %d)", a.High)
	}
	return fmt.Sprintf("At least %s more %s %s likely here (95 %%: %d to %d)", number(a.UnseenAtLeast),
		plural(a.UnseenAtLeast, "tag"), verb, a.Low, a.High)
}

// fewRare distinguishes a short count from one in which nearly every tag was met often: neither
// gives a number, but they are not the same news.
func fewRare(a *Assessment, in *Input, c Counts) string {
	rare := c.Once + c.Twice
	if c.Seen < 10*MinRare || in.Passes == 2 {
		return "Not enough data: too few tags were read to say how many are still unread"
	}
	if rare == 0 {
		return "Not enough data for a number: every tag was read three times or more, and nothing points to many more"
	}
	if in.Passes >= 2 {
		return fmt.Sprintf("Not enough data for a number: all but %s of the tags were read in three passes or "+
			"more, and nothing points to many more", number(rare))
	}
	return fmt.Sprintf("Not enough data for a number: all but %s of the tags were read three times or more, and "+
		"nothing points to many more", number(rare))
}

// rate says whether new tags still turn up. With an estimate at hand it speaks only if they do, for
// then the estimate comes too soon.
func rate(a *Assessment, in *Input) string {
	if in.Curve == nil || in.Curve.Reads <= 0 {
		return ""
	}
	at := in.At
	if at == 0 {
		at = in.Curve.Start + max(in.Curve.End, 0)
	}
	got, over := in.Curve.recent(at, RateSeconds)
	quiet := in.Curve.Quiet(at) / 1000
	switch perSecond := float64(got.New) / float64(over); {
	case perSecond >= 1:
		return fmt.Sprintf("still %.0f new %s a second: go on", perSecond, plural(int(perSecond+0.5), "tag"))
	case got.New > 0 && (!a.Usable || got.New >= MinRare):
		return fmt.Sprintf("still %s new %s in the last %d s: go on", number(got.New), plural(got.New, "tag"), over)
	case a.Usable || got.New > 0:
		return ""
	case got.Reads == 0 && over >= RateSeconds:
		return fmt.Sprintf("no read at all for %s or more: look whether the reader is on, or go on elsewhere", seconds(RateSeconds))
	case quiet < RateSeconds:
		return fmt.Sprintf("no new tag for %s: go on a little", seconds(quiet))
	}
	return fmt.Sprintf("no new tag for %s", seconds(quiet))
}

// expected sets what was found against what should be there. The two need not be the same tags, so
// their difference is not a number of missing ones.
func expected(a *Assessment) string {
	if a.Expected < 0 {
		return ""
	}
	return fmt.Sprintf("%s %s found where %s %s expected", number(a.Distinct), plural(a.Distinct, "tag"),
		number(a.Expected), isAre(a.Expected))
}

func isAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

func plural(n int, noun string) string {
	if n == 1 {
		return noun
	}
	return noun + "s"
}

func seconds(n int64) string {
	if n < 120 {
		return fmt.Sprintf("%d s", n)
	}
	return fmt.Sprintf("%d min", n/60)
}

// number writes thousands apart, as people read them.
func number(n int) string {
	s := fmt.Sprint(n)
	var b strings.Builder
	for i, d := range s {
		if i > 0 && (len(s)-i)%3 == 0 {
			b.WriteByte(',')
		}
		b.WriteRune(d)
	}
	return b.String()
}
