// Package deliver sends deliveries: it signs each message, posts it to its channel, tries again
// when that fails, and keeps on record what came of it. It also decides which addresses may be
// connected to at all.
//
//	runner: commit ──▶ Offer ──▶ gate ──▶ lane of the channel ──▶ try ──▶ outcomes ──▶ commit (loose)
//	                             (order      (in flight,          (guard,  (grouped      │
//	store: pending ──▶ Resume ─▶  of an       per second)          sign,    per site)    ├─ delivered, dead
//	                   scans      alert)          ▲                POST)                 ▼
//	                                              └──────────────── delayed ◀──────── pending
//
// # What is promised
//
// At least once. Step creates a delivery in the same commit as the change of the alert that it
// tells of, so it is on record before anybody is notified. The outcome of a try is on record before it
// counts. When the process ends between a POST and that commit, the message is sent again, with the
// same id. Once the success is stored it is never sent again, unless a person asks for it
// (Dispatcher.Retry).
//
// The same id. The header "webhook-id" is Delivery.ID on every try, after every crash, in every
// replay; "webhook-timestamp" and the signature are made anew for each try, with the secrets that
// are live at that moment. A receiver that remembers ids sees each message once.
//
// In order. An alert's messages are delivered in their order on each channel, opened before cleared:
// a later one waits, in memory or in the store, while an earlier one is pending. It goes on when that
// one is delivered or dead. Both are sent even if the alert is over by then: a tool that was notified
// of the end alone would have no record of the alert, and one that was notified of the beginning last
// would keep it open for good. Alerts do not wait for each other. Only a person who has a settled
// message sent again (Retry, Recover) breaks the order; each message carries its own.
//
// Apart. Every channel has a lane of its own. One that hangs has MaxInFlight tries under way at
// most, fewer while it is in trouble, and cannot take the last worker from another.
//
// Bounded. A channel has at most Options.PerChannel deliveries in memory, and all message bodies
// together at most Options.DataBytes; the others wait in the store. Offer never waits.
//
// # When a try fails
//
// Schedule says when the next one is, and Classify what an answer means:
//
//	2xx                           delivered
//	410                           dead at once; the channel is stopped
//	all else: 3xx (never          tried again by the whole schedule: by default ten tries over about 76 hours. That holds for
//	  followed), other 4xx, 5xx,  refusals too: a person who renews an expired token, or corrects an address, has that time
//	  no answer, a disabled channel
//	no channel of that name       tried again within a minute, without using up a try, for half an hour; then by the schedule
//
// Each delay has full jitter: it is uniform from nothing to twice what the schedule says, so that
// on average the schedule holds, and what failed together comes back spread out. Retry-After of 429
// and 503 is a lower bound of the delay, up to Schedule.RetryAfterMost, and holds the whole channel
// for up to a minute. While a receiver fails, the number of tries at one time halves down to one, and
// it grows again with each success.
//
// A channel that works again does not wait for the schedule: each success brings two waiting messages
// forward, the oldest first, out of the store if need be; a test, StartChannel, Recover and
// ChannelsChanged bring the first two. So the rate is what the receiver takes, within MaxInFlight and
// PerSecond, and a failure ends it. A message that fails for a reason of its own is brought forward
// once between two tries of the schedule, and that try does not count.
//
// # When a channel fails for long
//
// Health is the health of a channel. Without any success it is warned of after 24 and after 48 hours,
// and stopped after 72; a channel of few messages gets its warnings hours apart before it is
// stopped. One success begins all anew. 410 stops a channel at once. Each step is logged, given to
// Observer.Channel and part of Health, and it is on record, so that a restart changes nothing and
// every process over the store goes by it within seconds.
//
// Channels with "about_channels" are told of the others, though never of themselves: TypeFailing,
// TypeStopped, TypeStarted, and TypeDeadLetters when deliveries were given up, at most once an hour
// for each channel, with how many. These notices are deliveries like all others: signed, guarded,
// tried again, dead in the end, and wanted or not by "types". TypeEntryAside goes the same way: an
// entry of a site was set aside. They are values of KindNotice, in the
// queue Notices, and the one process that has its lease sends them. Their Alert is the channel that
// they are about; their orders grow over all notices.
//
// Each event is told under one id, made of the channel, the event, the moment on record, and the
// receiver. The call that puts the event on record sets its notices too, and goes through only if
// no health was changed since it was read; so of two processes that see the same, one tells it, and
// a process that dies has stored both or neither. If neither, the next failure raises the event
// again, from the same moment. Dead letters are counted after the commit that makes them dead:
// those of the last moment before a process dies are on record, but in no notice.
//
// To a stopped channel nothing is sent; what is due waits by its schedule, and may die of it. It is
// started again by a test or a message sent again by hand that gets through, by a change of its
// settings, or by StartChannel.
//
// # What stays on record
//
// A message of a type that the channel does not want (its "types") is left out when its turn comes:
// its record is deleted, so that nobody takes it for delivered.
//
// A dead delivery stays on record for a person to decide: Retry sends one again, Recover those of a
// time range, after an outage. Delivered ones are deleted after a week.
//
// When the store takes no outcomes, nothing more is sent for the site until it does, since all that
// would be sent again after a crash.
//
// # Channels
//
// A channel is one destination, written as JSON (ParseChannels):
//
//	{"channels": [{
//	  "name": "door-team",
//	  "url": "https://chat.example/hooks/a1b2c3",
//	  "format": "template",                                   // or "webhook" (the default), or "cloudevents"
//	  "template": {"text": "{data.alert.say}", "level": "{data.alert.severity}"},
//	  "secrets": ["whsec_...", {"secret": "whsec_...", "not_after": "2026-11-15T00:00:00Z"}],
//	  "headers": {"Authorization": "Bearer ..."},
//	  "values": {"routing_key": "..."},                       // secrets, which the template fills in
//	  "timeout": "15s", "types": ["alert.opened"], "max_in_flight": 8, "per_second": 1, "disabled": false,
//	  "about_channels": true                                  // it is told of other channels that fail or are stopped
//	}]}
//
// "webhook" sends {"type", "timestamp", "data"} as Standard Webhooks 1.0 recommends, "cloudevents"
// a CloudEvents 1.0 event in its JSON format. A template is JSON whose texts may hold placeholders:
// {id}, {type}, {timestamp}, {site}, {channel}, {alert}, {order}, {values.NAME}, and {data} with a
// path into the message's data (event.Message), like {data.product.name} or {data.alert.gathered.0}. A text that is one placeholder becomes
// the value itself, with its type; within a longer text a placeholder becomes text, escaped. What
// is not there becomes null or nothing. {{ and }} are braces. A notice about a channel has no site
// and no alert; what a template asks of {data.alert} is taken from the notice itself, which has
// "say" and "severity" as an alert has, so that one template does for both.
//
// # Addresses
//
// Guard is asked with the address that is being connected, after the name was looked up. Public
// addresses are allowed on ports 80 and 443; everything else only in ranges that the operator
// named. Redirects are not followed and no proxy is used.
//
// # Secrets
//
// Secrets, values, the values of headers, and what follows the host of a URL appear in no log, no error, no
// stored reason and no answer. Errors of the network are put into words of our own, since theirs
// quote the URL and what the receiver sent; the receiver's answer is read and thrown away.
// Printing, logging or marshalling a Channel gives its redacted form.
package deliver
