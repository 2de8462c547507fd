package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/alecthomas/kong"

	"lintel/rules/doc"
)

// maxConfig bounds the file of --config, in bytes.
const maxConfig = 1 << 20

// config is the file of --config: kong's own resolver of JSON, which refuses what is no flag.
type config struct {
	kong.Resolver
	file string
	keys []string
}

// readConfig reads the file of --config.
func readConfig(r io.Reader) (kong.Resolver, error) {
	c := config{file: "the configuration"}
	if f, ok := r.(interface{ Name() string }); ok {
		c.file = f.Name()
	}
	b, err := io.ReadAll(io.LimitReader(r, maxConfig+1))
	if err != nil {
		return nil, err
	}
	if len(b) > maxConfig {
		return nil, fmt.Errorf("%s: the file has more than %d bytes", c.file, maxConfig)
	}
	values := map[string]any{}
	if err := json.Unmarshal(b, &values); err != nil {
		at := len(b)
		var syntax *json.SyntaxError
		if errors.As(err, &syntax) {
			at = int(syntax.Offset)
		}
		return nil, fmt.Errorf("%s:%d: %w; the file is one JSON object, such as {\"facts_keep\": \"30d\"}", c.file,
			1+bytes.Count(b[:min(max(at-1, 0), len(b))], []byte("\n")), err)
	}
	for k := range values {
		c.keys = append(c.keys, k)
	}
	slices.Sort(c.keys)
	c.Resolver, err = kong.JSON(bytes.NewReader(b))
	return c, err
}

// Validate refuses names that are no flag of any command.
func (c config) Validate(app *kong.Application) error {
	known := map[string]bool{}
	var collect func(n *kong.Node)
	collect = func(n *kong.Node) {
		for _, f := range n.Flags {
			known[strings.ReplaceAll(f.Name, "-", "_")] = true
		}
		for _, child := range n.Children {
			collect(child)
		}
	}
	collect(app.Node)
	names := make([]string, 0, len(known))
	for n := range known {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, k := range c.keys {
		if !known[k] && !known[snake(k)] {
			return fmt.Errorf("%s: there is no setting %q%s; a setting is the name of a flag with _ for -", c.file, k, doc.OrDidYouMean(k, names))
		}
	}
	return nil
}

// snake writes a name that is in lowerCamelCase, which kong takes too, with _ between its words.
func snake(name string) string {
	return capital.ReplaceAllStringFunc(name, func(c string) string { return "_" + strings.ToLower(c) })
}

var capital = regexp.MustCompile(`[A-Z]`)

// withDays is a length of time that begins with days.
var withDays = regexp.MustCompile(`^(\d{1,5})d(.*)$`)

// parseDuration reads a length of time as rules write it: Go's, and days before it, as in 30d or 1d12h.
func parseDuration(text string) (time.Duration, error) {
	days, rest := time.Duration(0), text
	if m := withDays.FindStringSubmatch(text); m != nil {
		n, _ := strconv.Atoi(m[1]) // five digits
		if days, rest = time.Duration(n)*24*time.Hour, m[2]; rest == "" {
			return days, nil
		}
	}
	d, err := time.ParseDuration(rest)
	if err != nil || days > 0 && d < 0 {
		return 0, fmt.Errorf("%q is no length of time: write it like 90s, 15m, 48h or 30d", text)
	}
	return days + d, nil
}

// durations reads every flag that is a length of time.
var durations = kong.TypeMapper(reflect.TypeFor[time.Duration](), kong.MapperFunc(func(ctx *kong.DecodeContext, target reflect.Value) error {
	t, err := ctx.Scan.PopValue("duration")
	if err != nil {
		return err
	}
	text, ok := t.Value.(string)
	if !ok {
		return fmt.Errorf("%v is no length of time: write it with its unit, like \"48h\"", t.Value)
	}
	d, err := parseDuration(text)
	if err == nil {
		target.Set(reflect.ValueOf(d))
	}
	return err
}))
