package console_test

import (
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"lintel/api/kit"
)

// TestKeyInLink: a link of this machine signs a browser in at once, and its key is neither in the address
// nor in the history afterwards. One who is signed in stays who they are.
func TestKeyInLink(t *testing.T) {
	s := newServer(t).shop()
	floor, view := s.key("floor", kit.ScopeOperate), s.key("screen", kit.ScopeView)
	b := newTab(t, s, 390, 800, false).open("/console/#key=" + floor).until(`document.querySelector("nav")`).shows("Umberhithe Books")
	require.Equal(t, "/console/", js[string](b, `location.pathname + location.search + location.hash`))
	require.Equal(t, "floor", js[string](b, `fetch("/v1/sessions/current").then(r => r.json()).then(v => v.key)`))

	require.NoError(t, chromedp.Do(b.ctx, chromedp.Navigate("about:blank")))
	b.open("/console/#key=" + view).until(`document.querySelector("nav") && location.hash === ""`)
	require.Equal(t, "floor", js[string](b, `fetch("/v1/sessions/current").then(r => r.json()).then(v => v.key)`))
	require.NotContains(t, js[string](b, `document.documentElement.outerHTML`), view)

	wrong := newTab(t, s, 390, 800, false).open("/console/#key=lk_wrong").until(`document.querySelector("#key") && location.hash === ""`)
	wrong.accessible().done()
	b.done()
}
