package deliver

import (
	"context"
	"encoding/json"
	"fmt"
	"strconv"
	"time"

	"lintel/engine/event"
	"lintel/engine/store"
)

// TypeEntryAside is the type of the notice that an entry of a site could not be processed and was set
// aside. It goes to the channels that are notified about others, and is about no channel.
const TypeEntryAside = "site.entry_aside"

// asideEvery is the time between two notices of one site. The list of what was set aside has all.
const asideEvery = 10 * time.Minute

// NotifyAside puts notices of an entry that was set aside on record, for all channels that are notified
// about others. Further ones of the site within ten minutes are not notified.
func (d *Dispatcher) NotifyAside(ctx context.Context, site string, entry event.SetAside) error {
	d.mu.Lock()
	recent := time.Since(d.asideAt[site]) < asideEvery
	d.mu.Unlock()
	receivers := d.toldAbout("", TypeEntryAside)
	if recent || len(receivers) == 0 {
		return nil
	}
	var told []event.Delivery
	err := again(ctx, func() error {
		order, err := readOrder(ctx, d.opt.Store)
		if err != nil {
			return err
		}
		told = told[:0]
		changes := make([]store.Value, 0, len(receivers)+1)
		for i, to := range receivers {
			told = append(told, asideNotice(site, &entry, to, order.last+i+1))
			changes = append(changes, noticeValue(told[i].ID, event.AppendDelivery(nil, &told[i])))
		}
		_, err = d.opt.Store.SetValues(ctx, append(changes, order.after(len(told)))...)
		return err
	})
	if err != nil {
		return fmt.Errorf("notices of an entry that was set aside: %w", err)
	}
	d.mu.Lock()
	d.asideAt[site] = time.Now()
	d.mu.Unlock()
	d.offerNotices(told)
	return nil
}

// asideNotice makes the notice for one receiver.
func asideNotice(site string, entry *event.SetAside, to string, order int) event.Delivery {
	list := "/v1/sites/" + site + "/aside"
	data, err := json.Marshal(NoticeData{
		Site: site, Sequence: entry.Seq, Severity: "warning", Reason: clipReason(entry.Reason),
		Say: fmt.Sprintf("In the shop %s something that was received could not be processed, and was set aside on %s: %s. It is kept, "+
			"but missing from the shop.", site, forPeople(entry.At), clipReason(entry.Reason)),
		Fix: []string{
			fmt.Sprintf("See all that was set aside: GET %s. Report the reason as a fault of Lintel.", list),
			fmt.Sprintf("After an upgrade have it processed: POST %s/%d/retry.", list, entry.Seq),
		},
	})
	if err != nil {
		panic(fmt.Sprintf("deliver: a notice does not marshal: %v", err)) // all its parts are strings and numbers
	}
	return event.Delivery{
		ID:      fmt.Sprintf("msg_%s-%s_entry-aside_%d-%d_%s", Notices, site, entry.Seq, entry.At, to),
		Channel: to, Type: TypeEntryAside, Order: order, At: entry.At, Data: data,
	}
}

// after is the value of the order when so many notices more were made. Setting it fails if there were
// others meanwhile.
func (o noticeOrder) after(notices int) store.Value {
	return store.Value{Kind: kindOrder, Key: keyOrder, Revision: o.revision, Data: strconv.AppendInt(nil, int64(o.last+notices), 10)}
}

// readOrder reads the order of the last notice.
func readOrder(ctx context.Context, st Store) (order noticeOrder, err error) {
	err = st.Values(ctx, kindOrder, []string{keyOrder}, func(v store.Value) (err error) {
		order.revision = v.Revision
		order.last, err = strconv.Atoi(string(v.Data))
		return err
	})
	return order, err
}

// offerNotices has notices that are on record sent, if this is the process that sends them: else that
// one finds them by the order.
func (d *Dispatcher) offerNotices(told []event.Delivery) {
	d.mu.Lock()
	s := d.sites[Notices]
	sends := s != nil && (s.attached || s.resuming)
	d.mu.Unlock()
	if sends {
		d.Offer(Notices, told)
	}
}
