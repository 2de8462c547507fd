package rules

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
	"unicode/utf8"

	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/parser/lexer"
)

const inHint = `write zone.kind in ["shelf", "floor"]; for parts of texts write contains`

var (
	mismatch   = regexp.MustCompile(`^invalid operation: (\S+) \(mismatched types? (.+)\)$`)
	unexpected = regexp.MustCompile(`^unexpected token (\w+)(?:\((.*)\))?$`)
	wrongType  = regexp.MustCompile(`^expected bool, but got (.+)$`)
	goTypes    = strings.NewReplacer("[]interface {}", "list", "[]string", typeList, "float64", typeFloat, "string",
		typeText, "bool", typeBool,
		"[]int", "list of numbers", "int", typeInt, "interface {}", "any value")
)

// phrases says in plain words what the checker says of calls. Each $n is a type or a function.
var phrases = []struct {
	was *regexp.Regexp
	is  string
}{
	{regexp.MustCompile(`^predicate should return boolean \(got (.+)\)$`),
		"the condition for each element must be yes/no, but this is a $1"},
	{regexp.MustCompile(`^builtin (\w+) takes only array \(got (.+)\)$`), "$1 takes a list, not a $2"},
	{regexp.MustCompile(`^cannot use (.+) as argument \(type (.+)\) to call (\w+) ?$`), "$3 takes a $2, not a $1"},
	{regexp.MustCompile(`^invalid argument for (\w+) \(type (.+)\)$`), "$1 does not take a $2"},
	{regexp.MustCompile(`^cannot use (.+) as type (.+) in array$`), "a $1 cannot be in a list of $2"},
	{regexp.MustCompile(`^expected at least 2 arguments$`), "a list function takes a list and a condition: " +
		"any(product.home_zones, # == zone.id)"},
}

// goType finds the names of Go types in a message of the checker.
var goType = regexp.MustCompile(`\[\]interface \{\}|\[\]string|\[\]int|interface \{\}|\bfloat64\b|\bstring\b|\bbool\b|\bint\b`)

func rephrase(message string) string {
	for _, p := range phrases {
		if p.was.MatchString(message) {
			message = p.was.ReplaceAllString(message, p.is)
			break
		}
	}
	return goType.ReplaceAllStringFunc(message, goTypes.Replace)
}

const endsTooEarly = "the condition ends too early"

// translate turns an error of the language's own parser or checker into plain words.
func (p *parsed) translate(err error, source string) {
	loc := file.Location{}
	message, hint := err.Error(), ""
	var fe *file.Error
	if errors.As(err, &fe) {
		loc, message = fe.Location, fe.Message
	}
	if m := mismatch.FindStringSubmatch(message); m != nil {
		op, kinds := m[1], goTypes.Replace(m[2])
		message = fmt.Sprintf("%q cannot be used on %s", op, kinds)
		switch {
		case op == "in":
			hint = inHint
		case strings.Contains(" and or not ", " "+op+" "):
			hint = "both sides of and, or, not must be yes/no: compare the value with something"
		case strings.Contains(kinds, typeText) && strings.Contains(kinds, typeInt):
			hint = "numbers are written without quotes, texts with quotes"
		}
	} else if m := unexpected.FindStringSubmatch(message); m != nil {
		message, hint = "unexpected "+m[2], ""
		if m[1] == "EOF" || m[2] == "" {
			message, hint = endsTooEarly, "a value or a closing bracket is missing"
			end := utf8.RuneCountInString(strings.TrimRight(source, " \t\n"))
			loc = file.Location{From: end, To: end + 1}
		} else if m[2] == `"#"` {
			hint = "comments in a condition begin with //; # is the element inside a list function"
		} else if m[1] == "Identifier" || m[1] == "Number" || m[1] == "String" {
			hint = "an operator such as ==, and, or is missing before it"
		}
	} else if m := wrongType.FindStringSubmatch(message); m != nil {
		message = "the condition must be yes/no, but this is a " + goTypes.Replace(m[1])
		hint = "compare it with something"
		loc = file.Location{From: 0, To: p.length}
	} else {
		switch {
		case strings.Contains(message, "exceeds maximum allowed nodes"):
			message, hint = fmt.Sprintf("the condition has more than %d parts", maxNodes), "split it into several rules"
			loc = file.Location{}
		case strings.HasPrefix(message, "invalid ") && strings.Contains(message, " literal: "),
			strings.HasSuffix(message, "literal is too large"):
			message, loc = "the number is too large", p.numberBefore(loc)
		case message == "literal not terminated":
			message, hint = "a quote is not closed", "close it on the same line"
		case strings.HasPrefix(message, "unrecognized character"), strings.HasPrefix(message, "bad number syntax"):
			message = strings.Replace(message, "unrecognized character:", "unexpected character", 1)
		case strings.HasPrefix(message, "not enough arguments"), strings.HasPrefix(message, "too many arguments"),
			strings.HasPrefix(message, "invalid number of arguments"):
			message = strings.Replace(message, " to call ", " for ", 1)
		default:
			message = rephrase(message)
		}
	}
	p.fail(loc, message, hint)
}

// numberBefore is the place of the last number before loc, which is where the parser was when it
// met it.
func (p *parsed) numberBefore(loc file.Location) file.Location {
	for i := len(p.tokens) - 1; i >= 0; i-- {
		if t := p.tokens[i]; t.Kind == lexer.Number && t.From < max(loc.From, 1) {
			return t.Location
		}
	}
	return loc
}
