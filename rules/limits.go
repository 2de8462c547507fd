package rules

import "slices"

// Limits of one condition. They hold for every rule, so that no rule can take the process down or
// make the others wait.
const (
	MaxCondition  = 4096  // bytes
	maxBrackets   = 64    // nested
	maxNodes      = 300   // of the syntax tree
	maxRange      = 1000  // numbers in a range such as 1..100
	maxPattern    = 200   // characters of a pattern after matches
	maxListDepth  = 2     // list functions inside list functions
	maxSteps      = 20000 // work of list functions in one evaluation, in units of about 50 ns
	memoryBudget  = 50000 // list elements made in one evaluation
	maxTextValue  = 4096  // bytes of a text of the environment; the rest is cut
	maxListValue  = 1000  // elements of a list of the environment; the rest is cut
	maxWork       = 5_000_000
	maxTextBuilt  = 1 << 20
	stepName      = "step#" // no condition can spell it
	numberFunc    = "number#"
	numberName    = "number"
	withinName    = "time_between"
	minutesOfName = "at.minute_of_day"
)

// MaxCost is how much work the rules that one fact can make true may be together, at worst, in the
// units of Rule.Cost: about 50 ms.
const MaxCost = 50_000_000

// operators are those that a condition may use. What is missing here is refused before the parser
// runs.
var operators = []string{"+", "-", "*", "/", "%", "==", "!=", "<", ">", "<=", ">=", "and", "or", "not", "&&", "||", "!", "in", "matches",
	"contains", "startsWith", "endsWith", "..", ".", ",", "?", ":", "#"}

// refusals say why an operator is missing and what to write instead.
var refusals = map[string][2]string{
	"=":    {`"=" does not compare`, "write == to compare"},
	"let":  {"variables are not available", "write the value where it is used"},
	";":    {`";" is not available`, "join conditions with and, or"},
	"**":   {"powers are not available", ""},
	"^":    {"powers are not available", ""},
	"&":    {`"&" is not available`, "write and"},
	"|":    {`"|" is not available`, "write or; call a function as lower(zone.name)"},
	"?.":   {`"?." is not needed`, "missing data reads as empty text, 0 or false: write a plain dot"},
	"??":   {`"??" is not needed`, "missing data reads as empty text, 0 or false"},
	"::":   {`"::" is not available`, ""},
	"if":   {`"if" is not available`, "write condition ? this : that"},
	"else": {`"else" is not available`, "write condition ? this : that"},
}

// functions are those that a condition may call. The list functions take a condition for each
// element, which they call #.
var (
	scalarFunctions = []string{"abs", "ceil", "floor", "len", "lower", "max", "min", numberName, "round", "trim", "upper", withinName}
	listFunctions   = []string{"all", "any", "count", "filter", "map", "none", "one"}
	allFunctions    = slices.Concat(scalarFunctions, listFunctions)
)

// Functions returns the names of the functions that conditions may call, sorted.
func Functions() []string { return slices.Sorted(slices.Values(allFunctions)) }
