package api

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestAlertsThatJoinedAnotherAreNotSeen: of a bag of three books there is one alert, which names
// the others.
func TestAlertsThatJoinedAnotherAreNotSeen(t *testing.T) {
	r := newRig(t).shop()
	r.do("PUT", "/v1/rules?allow_removal=true", `rules:
  - name: on-shelf-a
    when: zone.id == "shelf-a"
    gather: 1s
    say: "{item.serial} is in {zone.name}"
    send: [door-team]
`, "Content-Type", "text/yaml").wants(200)
	var list []string
	for i := range 3 {
		list = append(list, fmt.Sprintf(`{"epc":"(01)09521141123454(21)%d","read_point":"handheld-1","zone":"shelf-a"}`, 1+i))
	}
	body := "[" + strings.Join(list, ",") + "]"
	a := into[BatchAnswer](r.do("POST", "/v1/sites/umberhithe/reads?wait=5s", body, "Idempotency-Key", "bag").wants(200))
	lead := into[AlertList](r.get("/v1/alerts").wants(200)).Alerts[0].ID
	require.Regexp(t, fmt.Sprintf("^umberhithe-%d_[0-9a-z]+-1$", *a.Entry), lead)
	for _, query := range []string{"", "?status=all", "?status=open"} {
		alerts := into[AlertList](r.get("/v1/alerts" + query).wants(200)).Alerts
		require.Len(t, alerts, 1, query)
		require.Equal(t, lead, alerts[0].ID)
		require.Len(t, alerts[0].Members, 2)
	}
	require.Equal(t, 1, into[SiteList](r.get("/v1/sites").wants(200)).Sites[0].Alerts)
	r.get("/v1/alerts/" + lead).wants(200)
	for n := 2; n <= 3; n++ {
		id := fmt.Sprintf("%s-%d", strings.TrimSuffix(lead, "-1"), n)
		r.get("/v1/alerts/" + id).wantsCode(codeUnknownAlert)
		r.post("/v1/alerts/"+id+"/acknowledge", "").wantsCode(codeUnknownAlert)
	}
	again := into[BatchAnswer](r.do("POST", "/v1/sites/umberhithe/reads?wait=5s", body, "Idempotency-Key", "bag").wants(200))
	require.Len(t, again.Alerts, 1)

	// Their message goes out when the time for joining is over.
	r.until("the message", func() bool {
		for _, d := range into[DeliveryList](r.get("/v1/deliveries?alert=" + lead)).Deliveries {
			if d.Type == "alert.gathered" {
				return true
			}
		}
		return false
	})
}
