package epc

import "strings"

// The host name of a "++" scheme: a method bit, a length of 6 bits, then characters. Method 0 is
// URN Code 40 and counts characters; method 1 is 7-bit ASCII and counts groups of 7 bits, where
// common beginnings and endings are one group and country endings two (TDS 2.3 14.5.16, Tables
// 14-11 to 14-15; two rows of Table 14-14 are misprinted and stand here where their neighbours put
// them).

// hostGroup is a group of 7 bits that represents more than its character.
var hostGroup = [128]string{
	0b0011110: "qr.", 0b0011111: "www.", 0b0100000: "id.",
	0b1011011: ".com", 0b1011100: ".org", 0b1011101: ".net", 0b1011110: ".int", 0b1100000: ".edu",
	0b1111011: ".gov", 0b1111100: ".mil", 0b1111101: ".biz", 0b1111110: ".eco", 0b1111111: ".med",
}

// hostPair are the strings of two groups: the first group chooses the row, the second the place in
// it.
var hostPair = [4][]string{
	strings.Fields(`.ac .ad .ae .af .ag .ai .al .am .ao .aq .ar .as .at .au .aw .ax .az .ba .bb .bd .be .bf .bg .bh .bi .bj
		.bm .bn .bo .bq .br .bs .bt .bw .by .bz .ca .cc .cd .cf .cg .ch .ci .ck .cl .cm .cn .co .cr .cu .cv .cw
		.cx .cy .cz .de .dj .dk .dm .do .dz .ec .ee .eg .eh .er .es .et .eu .fi .fj .fk .fm .fo .fr .ga .gd .ge
		.gf .gg .gh .gi .gl .gm .gn .gp .gq .gr .gs .gt .gu .gw .gy .hk .hm .hn .hr .ht .hu .id .ie .il .im .in
		.io .iq .ir .is .it .je .jm .jo .jp .ke .kg .kh .ki .km .kn .kp .kr .kw .ky .kz .la .lb .lc .li`),
	strings.Fields(`.lk .lr .ls .lt .lu .lv .ly .ma .mc .md .me .mg .mh .mk .ml .mm .mn .mo .mp .mq .mr .ms .mt .mu .mv .mw
		.mx .my .mz .na .nc .ne .nf .ng .ni .nl .no .np .nr .nu .nz .om .pa .pe .pf .pg .ph .pk .pl .pm .pn .pr
		.ps .pt .pw .py .qa .re .ro .rs .ru .rw .sa .sb .sc .sd .se .sg .sh .si .sk .sl .sm .sn .sr .ss .st .su
		.sv .sx .sy .sz .tc .td .tf .tg .th .tj .tk .tl .tm .tn .to .tr .tt .tv .tw .tz .ua .ug .us .uy .uz .va
		.vc .ve .vg .vi .vn .vu .wf .ws .ye .yt .za .zm .zw`),
	strings.Fields(`.com.au .net.au .org.au .co.at .com.bd .co.bd .com.br .net.br .co.nz .com.ng .com.pk .co.in .com.in
		.co.il .co.jp .co.za .co.kr .com.es .com.lk .co.th .co.tt .com.tt .com.tr .biz.tr .com.ua .co.uk .co.zm
		.com.zm .com.cn .org.cn .net.cn .gov.cn`),
	{".tech"},
}

var (
	// setHost are the characters that can stand before the path of a link: a name, a port, and path
	// segments.
	setHost = setOf("-._:/" + digitChars + lowerChars)
	// setHostFirst are those that a name can begin with: a link that began with a slash would have
	// no host.
	setHostFirst = setOf(digitChars + lowerChars)
)

// badHostChar returns the place of the first character of host that keeps it from standing in a
// link, or -1.
func badHostChar(host string) int {
	if host != "" && !setHostFirst.has(host[0]) {
		return 0
	}
	return firstOutside(host, &setHost)
}

const (
	sectionHost = "TDS 2.3 14.5.16"
	maxHost     = 63 // characters, and groups
)

// takeHostname reads a host name and returns it in lower case.
func takeHostname(r *bitReader) (string, error) {
	method, ok1 := r.take(1)
	length, ok := r.take(6)
	if !ok1 || !ok {
		return "", cutShort("the host name")
	}
	n := int(length)
	if n == 0 {
		return "", broken(sectionHost, "the host name is empty")
	}
	var out []byte
	if method == 0 {
		for i := 0; i < n; i += 3 {
			v, ok := r.take(16)
			if !ok {
				return "", cutShort("the host name")
			}
			var group [3]byte
			if err := uncode40(group[:], v, n-i, "the host name"); err != nil {
				return "", err
			}
			out = append(out, group[:min(3, n-i)]...)
		}
		return checkHost(strings.ToLower(string(out)))
	}
	for i := 0; i < n; i++ {
		v, ok := r.take(7)
		if !ok {
			return "", cutShort("the host name")
		}
		switch {
		case v < uint64(len(hostPair)):
			i++
			place, ok := r.take(7)
			if !ok || i == n {
				return "", broken(sectionHost, "the host name ends inside a pair of groups")
			}
			if row := hostPair[v]; place < uint64(len(row)) {
				out = append(out, row[place]...)
				continue
			}
			return "", broken(sectionHost, "place %d of row %d stands for no host name ending", place, v)
		case hostGroup[v] != "":
			out = append(out, hostGroup[v]...)
		default:
			out = append(out, byte(v))
		}
	}
	return checkHost(strings.ToLower(string(out)))
}

func checkHost(host string) (string, error) {
	return host, checkChars(host, "the host name", maxHost, &set82, sectionHost)
}

// putHostname writes a host name by method 1, with the longest strings of the tables that fit.
func putHostname(w *bitWriter, name string) error {
	host, err := checkHost(strings.ToLower(name))
	if err != nil {
		return err
	}
	if i := badHostChar(host); i >= 0 {
		return broken(sectionHost, "the host name has %q at place %d, which cannot stand in one", host[i], i+1)
	}
	var groups []byte
	for i := 0; i < len(host); {
		code, size := longestGroup(host[i:])
		groups = append(groups, code...)
		i += size
	}
	w.put(1, 1)
	w.put(uint64(len(groups)), 6)
	for _, g := range groups {
		w.put(uint64(g), 7)
	}
	return nil
}

// longestGroup returns the groups for the beginning of s that save the most, and how many
// characters they represent.
func longestGroup(s string) (code []byte, size int) {
	code, size = []byte{s[0]}, 1
	saved := 0
	for v, text := range hostGroup {
		if text != "" && strings.HasPrefix(s, text) && len(text)-1 > saved {
			code, size, saved = []byte{byte(v)}, len(text), len(text)-1
		}
	}
	for row, texts := range hostPair {
		for place, text := range texts {
			if strings.HasPrefix(s, text) && len(text)-2 > saved {
				code, size, saved = []byte{byte(row), byte(place)}, len(text), len(text)-2
			}
		}
	}
	return code, size
}
