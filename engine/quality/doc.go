// Package quality says how good a rule is, from what became of its alerts: how often it fired, how
// soon somebody took an alert in hand, and how often the people who looked found that it was right.
//
//	alert records ─▶ Book.Add ─▶ cells (rule, week, version) ─▶ Book.Report ─▶ whole, by week, by version
//	                                                                  └─▶ Tally.Precision, Delays.Quantile, Compare
//
// # Using it
//
// Make a Book for a range of weeks, give it every alert of a site with the site's time zone, and
// ask for reports. Books of several sites are merged. A Book keeps counts, not alerts: its size
// follows from rules, versions and weeks, however many alerts there were.
//
//	b := quality.NewBook(quality.Span{Last: quality.WeekOf(now), Weeks: 12})
//	for each alert { b.Add(a, layout.Location()) }
//	r := b.Report("unpaid-at-door")
//	fmt.Println(r.Told.Precision().Words())   // Right 17 of 20 times: 85 %, by the 95 % interval 64 % to 95 %.
//
// # What is counted
//
// One alert is counted once, in the week in which it opened, whenever what became of it happened;
// so the numbers of a past week still change while its alerts are being closed. Weeks are those of
// ISO 8601 by the site's own clock: they begin on Monday at midnight there, and the hour that a
// change of the clocks adds or takes belongs to the week in which it falls. What joined another
// alert is part of that alert. A rule that failed while running is a fault, not an alert, and what
// a rule raised beyond its limit is a storm: an outcome given to either says nothing about how
// often the rule is right. Rules that are only watched notified nobody; they are counted apart.
//
// Of each alert that fired exactly one is true: it is still open, or a person gave it an outcome
// (genuine, false, unclear), or it ended by itself and nobody said. Tally keeps this: Fired = Open
// + Genuine + False + Unclear + NoOutcome.
//
// # What the numbers mean
//
// Precision is Genuine / (Genuine + False), with Wilson's 95 % interval. Unclear outcomes are in
// neither number: to count them as false would punish rules for what nobody could see, to count
// them as genuine would flatter. They are reported beside it, and where they are many the precision
// rests on the easy cases. The same holds for alerts without an outcome: people choose what they
// close.
//
// "Genuine" says that the rule was right to ask for a look. It says nothing about any person. The
// times until somebody acknowledged show how a rule is met in a shop's day; they are no measure of
// anyone's work.
//
// Quantiles are those of Hyndman and Fan's type 7, the default of R and NumPy. Times are kept to
// the second, and past a thousand seconds to three digits.
//
// # Purity
//
// There is no clock, no random number, no I/O and no goroutine here, and nothing depends on the
// order of a map. Times are Unix milliseconds given by the caller.
//
// # Sources
//
//   - ISO 8601-1:2019, week dates: the first week of a year is the one with its first Thursday.
//   - Wilson, E. B. 1927. Probable inference, the law of succession, and statistical inference.
//     JASA 22.
//   - Newcombe, R. G. 1998. Two-sided confidence intervals for the single proportion. Statistics in
//     Medicine 17:857-872.
//   - Newcombe, R. G. 1998. Interval estimation for the difference between independent proportions.
//     Statistics in Medicine 17:873-890. Method 10 there.
//   - Hyndman, R. J. and Fan, Y. 1996. Sample quantiles in statistical packages. The American
//     Statistician 50:361-365.
package quality
