// Package estimate says how far a stock-take by bulk reading may be trusted: how many tags
// answered, how many more are likely to be there unread, and whether the reads can say so at all.
//
//	reads of a count ─▶ Tally   how many tags were met once, twice, ...      ┐
//	                 ├─▶ Tally   ... in how many passes over the shelves      ├─▶ Assess ─▶ Assessment: numbers, a reason, a sentence
//	                 └─▶ Curve   how fast new tags still turn up              ┘
//
// # Using it
//
// The caller tallies how often each tag was met, and in how many passes where staff go over the
// same shelves more than once, and adds its reads to a Curve. Then ask:
//
//	a := estimate.Assess(estimate.Input{Tally: sightings, Passes: 2, Incidence: passes, Curve: &curve, Expected: expected, At: now})
//	fmt.Println(a.Words)    // At least 12 more tags are likely here (95 %: 5 to 31).
//	fmt.Println(a.Caution)  // Tags that cannot answer ... are not in any estimate.
//
// Tally, Curve and the estimators can be used on their own too.
//
// # What the numbers mean
//
// All estimators here are lower bounds. They reason from the tags that were met rarely: where many
// were met just once, more were probably missed. A tag that cannot answer at all (dead, shielded by
// metal, pressed against another) is met by none and seen by no estimator. So no count is ever
// called complete, and a tag that was not read is no reason to suspect anybody. Where tags differ
// much in how readily they answer, and in a shop they do, the true number lies above the estimate
// more often than below.
//
// Coverage is the share of all answers that would come from tags already met (Good), not the share
// of tags: the tags still unmet are those that rarely answer.
//
// # Reads are not draws
//
// The estimators suppose that each meeting with a tag is a draw of its own. Reads are not: a tag in
// the beam answers many times a second, and in a Gen2 session that keeps tags quiet it answers
// exactly once. Three things follow.
//
//   - Reads of one tag that follow each other within BurstGap count as one sighting.
//   - Passes are better than reads. Two or three rounds over the same shelves, with the tags awake
//     again for each (session S0 or S1, or S2/S3 re-armed between rounds), give Chao2 its due: in
//     how many rounds was each tag met. Where passes were marked, reads are not consulted: passes
//     that disagree are not made good by bursts of reads that look thorough.
//   - Where nearly every tag was met once, there is nothing to reason from. Assess then says so and
//     falls back to how long no new tag has turned up.
//
// # Which form of which estimator
//
// Published packages differ, and so do their results for the same data. Each function says what it
// computes. The differences:
//
//   - Chao1 classic is S + f1²/(2 f2), bias-corrected S + f1(f1-1)/(2(f2+1)). EstimateS and
//     scikit-bio give either; mothur gives the corrected one; R's fossil the classic one; both fall
//     back to the corrected one where f1 or f2 is 0.
//   - iNEXT and EstimateS from version 9 on multiply the added term by (n-1)/n, for n reads;
//     mothur, fossil and scikit-bio do not. Chao2 carries the same factor as (T-1)/T, for T passes;
//     with two passes it halves the estimate, so it cannot be left out.
//   - scikit-bio's classic variance has 0.24 where the formula has 1/4.
//   - 1.96 is used for the 95 % quantile, as by EstimateS and mothur; iNEXT and SpadeR use
//     1.959964.
//
// Assess uses the bias-corrected forms, which exist for every input: Chao1 without the factor (n is
// in the thousands, it does not matter) and Chao2 with it.
//
// # Purity
//
// There is no clock, no random number, no I/O, no goroutine here, and nothing depends on the order
// of a map. Times are Unix milliseconds given by the caller. No input makes a NaN, an infinity or a
// negative number.
//
// # Sources
//
//   - Good, I. J. 1953. The population frequencies of species and the estimation of population
//     parameters. Biometrika 40.
//   - Chao, A. 1984. Nonparametric estimation of the number of classes in a population.
//     Scandinavian Journal of Statistics 11.
//   - Chao, A. 1987. Estimating the population size for capture-recapture data with unequal
//     catchability. Biometrics 43.
//   - Chao, A. and Jost, L. 2012. Coverage-based rarefaction and extrapolation. Ecology 93.
//   - Hsieh, T. C., Ma, K. H. and Chao, A. 2016. iNEXT. Methods in Ecology and Evolution 7.
//   - Wilson, E. B. 1927. Probable inference, the law of succession, and statistical inference.
//     JASA 22.
package estimate
