package demo

import (
	"bytes"
	"encoding/xml"
	"flag"
	"fmt"
	"html"
	"io"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

var rewrite = flag.Bool("rewrite", false, "play the whole demonstration, which takes minutes, and draw the picture of its end again")

const (
	pictureFile = "../../deploy/demo-end.svg"
	pictureFrom = "so far" // the last line of this kind is the first one in the picture
)

// The measures of the picture, in pixels.
const (
	pictureMargin = 16
	pictureChar   = 8.4
	pictureLine   = 19
)

// pictureClasses are the classes of the picture's style sheet, by the console's styles.
var pictureClasses = map[style]string{plain: "", dim: "d", bold: "b", red: "r", yellow: "y", green: "g", cyan: "c"}

const pictureHead = `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %[1]d %[2]d" width="%[1]d" height="%[2]d" role="img">
<title>The end of lintel demo: what the simulator knows, and what Lintel reported</title>
<style>text{font:14px ui-monospace,"DejaVu Sans Mono",Menlo,Consolas,monospace;fill:#d8dee4;white-space:pre}` +
	`.d{fill:#8b949e}.b{font-weight:700}.r{fill:#ff7b72;font-weight:700}.y{fill:#e3b341}.g{fill:#7ee787}.c{fill:#79c0ff}</style>
<rect width="%[1]d" height="%[2]d" rx="8" fill="#0d1117"/>
`

var (
	painted = regexp.MustCompile("(\x1b\\[[0-9;]*[1-9]m)?([^\x1b]+)(?:\x1b\\[0m)?")
	columns = regexp.MustCompile(`\S+( \S+)*`)
)

// draw makes an SVG picture of lines of the console, with its colours. Text between two blanks or more
// has its place and length fixed, so that the columns stay where they are in any typeface.
func draw(text string) string {
	lines := strings.Split(strings.TrimRight(text, "\n"), "\n")
	var b strings.Builder
	margin := float64(pictureMargin)
	fmt.Fprintf(&b, pictureHead, int(2*margin+pageWidth*pictureChar), 2*pictureMargin+pictureLine*len(lines))
	for i, line := range lines {
		var spans strings.Builder
		at := 0 // characters
		for _, m := range painted.FindAllStringSubmatch(line, -1) {
			class := ""
			if c := pictureClasses[style(m[1])]; c != "" {
				class = fmt.Sprintf(` class="%s"`, c)
			}
			for _, c := range columns.FindAllStringIndex(m[2], -1) {
				part := m[2][c[0]:c[1]]
				fmt.Fprintf(&spans, `<tspan x="%.1f"%s textLength="%.1f">%s</tspan>`,
					margin+float64(at+utf8.RuneCountInString(m[2][:c[0]]))*pictureChar, class,
					float64(utf8.RuneCountInString(part))*pictureChar, html.EscapeString(part))
			}
			at += utf8.RuneCountInString(m[2])
		}
		if spans.Len() > 0 {
			fmt.Fprintf(&b, "<text xml:space=\"preserve\" y=\"%d\">%s</text>\n", pictureMargin+pictureLine*i+14, spans.String())
		}
	}
	return b.String() + "</svg>\n"
}

func TestDraw(t *testing.T) {
	var out bytes.Buffer
	p := &page{out: &out, color: true}
	p.line("false alarms", "0 at <the> door", green)
	p.text(plain, "")
	p.text(bold, "The end")
	_, body, _ := strings.Cut(draw(out.String()), "/>\n")
	require.Equal(t, `<text xml:space="preserve" y="30"><tspan x="32.8" class="d" textLength="100.8">false alarms</tspan>`+
		`<tspan x="150.4" class="g" textLength="126.0">0 at &lt;the&gt; door</tspan></text>
<text xml:space="preserve" y="68"><tspan x="16.0" class="b" textLength="58.8">The end</tspan></text>
</svg>
`, body)
}

// TestPicture holds the picture in the README against the end of a demonstration: it is well formed, and
// every line that even a short one ends with is there. With -rewrite it draws the picture again.
func TestPicture(t *testing.T) {
	opt := Options{Length: time.Minute, Speed: 300, change: quiet, noSync: true}
	if *rewrite {
		opt = Options{}
	}
	var out bytes.Buffer
	opt.Out, opt.Color = &out, true
	require.NoError(t, Run(t.Context(), opt))
	text := out.String()
	end := text[strings.Index(text, string(bold)+"The end"):]
	if *rewrite {
		t.Log("\n" + painted.ReplaceAllString(text, "$2"))
		from := text[:strings.LastIndex(text, pictureFrom)]
		require.NoError(t, os.WriteFile(pictureFile, []byte(draw(text[strings.LastIndexByte(from, '\n')+1:])), 0o644))
	}

	picture, err := os.ReadFile(pictureFile)
	require.NoError(t, err)
	decoder := xml.NewDecoder(bytes.NewReader(picture))
	var words []string
	for {
		token, err := decoder.Token()
		if err == io.EOF {
			break
		}
		require.NoError(t, err)
		if chars, ok := token.(xml.CharData); ok {
			words = append(words, string(chars))
		}
	}
	labels := regexp.MustCompile(`(?m)^  \x1b\[2m(\S+(?: \S+)*) *\x1b`).FindAllStringSubmatch(end, -1)
	require.GreaterOrEqual(t, len(labels), 5)
	for _, l := range append(labels, []string{"", "The end: what the simulator knows, and what Lintel reported"}) {
		require.Contains(t, words, l[1])
	}
}
