package api

import (
	"encoding/json"
	"time"

	"lintel/engine/deliver"
	"lintel/engine/event"
)

// This file has the shapes of bodies that other packages read and write by hand, for the OpenAPI
// document.

// readRequest is one read as it is posted.
type readRequest struct {
	EPC       string   `json:"epc,omitempty" jsonschema_description:"The tag's identity: hexadecimal bits as the reader saw them, or EPC URI, GS1 element string, GS1 Digital Link. Bits that are no GS1 EPC are their own identity. Left out: the read point is alive, no more."`
	PC        any      `json:"pc,omitempty" jsonschema:"oneof_type=string;integer" jsonschema_description:"The tag's Protocol Control word, as 4 hexadecimal digits or a number. With its toggle bit set the bits are no EPC."`
	ReadPoint string   `json:"read_point" jsonschema_description:"Id of the reader or antenna in the site's layout."`
	Zone      string   `json:"zone,omitempty" jsonschema_description:"Where the operator of a handheld says to be."`
	RSSI      *float64 `json:"rssi,omitempty" jsonschema:"minimum=-200,maximum=50" jsonschema_description:"Signal strength, dBm."`
	Count     *int     `json:"count,omitempty" jsonschema:"minimum=1,maximum=1000000" jsonschema_description:"How often the reader saw the tag for this report. Default 1."`
	Phase     *float64 `json:"phase,omitempty" jsonschema:"minimum=-180,maximum=360" jsonschema_description:"Phase of the tag's answer, degrees, where the reader reports it: 0 to 360, or -180 to 180. Kept to a tenth."`
	Channel   *float64 `json:"channel,omitempty" jsonschema:"minimum=100,maximum=6000" jsonschema_description:"Carrier frequency that the tag was read on, MHz, where the reader reports it. Kept to a tenth."`
	Doppler   *float64 `json:"doppler,omitempty" jsonschema:"minimum=-1000,maximum=1000" jsonschema_description:"Doppler shift of the tag's answer, Hz, where the reader reports it. Kept to a tenth."`
	Time      any      `json:"time,omitempty" jsonschema:"oneof_type=string;integer" jsonschema_description:"RFC 3339, or Unix milliseconds. Left out: now. At most 5 minutes ahead of the server's clock."`
}

// alertMessage is a webhook about an alert, in the format webhook.
type alertMessage struct {
	Type      string        `json:"type" jsonschema_extras:"words=change"`
	Timestamp time.Time     `json:"timestamp"`
	Data      event.Message `json:"data"`
}

// noticeMessage is a webhook about another channel or an entry that was set aside, in the format
// webhook.
type noticeMessage struct {
	Type      string             `json:"type" jsonschema:"enum=channel.failing,enum=channel.stopped,enum=channel.started,enum=channel.dead_letters,enum=site.entry_aside"`
	Timestamp time.Time          `json:"timestamp"`
	Data      deliver.NoticeData `json:"data"`
}

// cloudEvent is what messages in the format cloudevents have in common (CloudEvents 1.0).
type cloudEvent struct {
	SpecVersion     string    `json:"specversion" jsonschema:"enum=1.0"`
	ID              string    `json:"id"`
	Source          string    `json:"source" jsonschema_description:"/sites/SITE, or /channels for notices."`
	Type            string    `json:"type"`
	Time            time.Time `json:"time"`
	Subject         string    `json:"subject,omitempty" jsonschema_description:"The alert or the channel."`
	Order           int64     `json:"order" jsonschema_description:"Place among the messages about the subject."`
	DataContentType string    `json:"datacontenttype"`
}

// alertCloudEvent is a webhook about an alert, in the format cloudevents.
type alertCloudEvent struct {
	cloudEvent
	Data event.Message `json:"data"`
}

// noticeCloudEvent is a webhook about another channel or an entry that was set aside, in the format
// cloudevents.
type noticeCloudEvent struct {
	cloudEvent
	Data deliver.NoticeData `json:"data"`
}

// readsRequest is a batch of reads as an object.
type readsRequest struct {
	Reads []readRequest `json:"reads"`
}

// layoutDocument is a site's layout.
type layoutDocument struct {
	Site       string            `json:"site"`
	Name       string            `json:"name,omitempty"`
	TimeZone   string            `json:"time_zone" jsonschema:"example=Europe/London"`
	Language   string            `json:"language,omitempty" jsonschema:"example=en" jsonschema_description:"Of the people who work there, a tag of RFC 5646: messages of rules are in it, where they have it."`
	Zones      []zoneDocument    `json:"zones"`
	ReadPoints []pointDocument   `json:"read_points,omitempty"`
	Hours      json.RawMessage   `json:"hours,omitempty" jsonschema_description:"Opening hours by weekday (mon to sun), such as \"09:00-18:00\", and by date under except."`
	Presence   *presenceDocument `json:"presence,omitempty"`
	Counts     *countsDocument   `json:"counts,omitempty"`
}

// countsDocument is when zones are to be counted, and what is asked of each count.
type countsDocument struct {
	Plan   []plannedCountDocument `json:"plan,omitempty"`
	Fields []countFieldDocument   `json:"fields,omitempty" jsonschema:"maxItems=10"`
}

// plannedCountDocument is a count that is due again and again.
type plannedCountDocument struct {
	Zones []string `json:"zones" jsonschema:"minItems=1"`
	Every string   `json:"every,omitempty" jsonschema:"example=7d" jsonschema_description:"Days after the last count. One of every and on must be there."`
	On    []string `json:"on,omitempty" jsonschema:"enum=mon,enum=tue,enum=wed,enum=thu,enum=fri,enum=sat,enum=sun"`
	By    string   `json:"by" jsonschema:"example=21:00" jsonschema_description:"The time of day by which it is due."`
	Team  string   `json:"team,omitempty" jsonschema_description:"Who counts: a team. Never anything about a person."`
	Blind bool     `json:"blind,omitempty" jsonschema_description:"Keys that may only count are not shown what is expected until a count is closed."`
}

// countFieldDocument is something that the shop asks of each count.
type countFieldDocument struct {
	ID       string   `json:"id"`
	Name     string   `json:"name,omitempty"`
	Type     string   `json:"type" jsonschema:"enum=text,enum=number,enum=choice"`
	Required bool     `json:"required,omitempty"`
	Choices  []string `json:"choices,omitempty" jsonschema:"maxItems=50"`
}

// zoneDocument is a place in a shop.
type zoneDocument struct {
	ID     string `json:"id"`
	Name   string `json:"name,omitempty"`
	Kind   string `json:"kind" jsonschema_extras:"words=zone kind"`
	Storey string `json:"storey,omitempty"`

	At *areaDocument `json:"at,omitempty" jsonschema_description:"Where it is on the plan of its storey. For people to look at; nothing is decided by it."`

	SureWithin string `json:"sure_within,omitempty" jsonschema:"example=6s" jsonschema_description:"Of an exit: how long it may take until a passage is sure, 2s to 10s. Default 8s."`
	Lingering  string `json:"lingering_after,omitempty" jsonschema:"example=1m" jsonschema_description:"Of an exit: for how long goods must stay near it before that is notified, 20s to 10m. Default 30s."`
}

// areaDocument is a rectangle on the plan of a storey, in metres from the plan's upper start
// corner.
type areaDocument struct {
	X      float64 `json:"x" jsonschema:"minimum=0,maximum=1000"`
	Y      float64 `json:"y" jsonschema:"minimum=0,maximum=1000"`
	Width  float64 `json:"width" jsonschema:"minimum=0.1,maximum=1000"`
	Height float64 `json:"height" jsonschema:"minimum=0.1,maximum=1000"`
}

// pointDocument is a reader or antenna.
type pointDocument struct {
	ID          string  `json:"id"`
	Name        string  `json:"name,omitempty"`
	Role        string  `json:"role" jsonschema_extras:"words=role"`
	Zone        string  `json:"zone,omitempty"`
	Side        string  `json:"side,omitempty" jsonschema_extras:"words=side"`
	MinRSSI     float64 `json:"min_rssi,omitempty" jsonschema_description:"dBm; reads below it don't count."`
	MinReads    int     `json:"min_reads,omitempty" jsonschema:"minimum=1,maximum=1000" jsonschema_description:"Reads of a tag that are needed before it counts as seen here. Default 1 in sessions S2 and S3, where a tag that was read keeps quiet, else 2."`
	SilentAfter string  `json:"silent_after,omitempty" jsonschema:"example=5m"`
	Session     string  `json:"session,omitempty" jsonschema:"enum=S0,enum=S1,enum=S2,enum=S3"`
}

// presenceDocument is how reads become presence.
type presenceDocument struct {
	Epoch        string  `json:"epoch,omitempty"`
	HysteresisDB float64 `json:"hysteresis_db,omitempty"`
	Completeness float64 `json:"completeness,omitempty"`
	PassageGap   string  `json:"passage_gap,omitempty"`
	PassageMax   string  `json:"passage_max,omitempty"`
}

// productsDocument is a list of products.
type productsDocument struct {
	Products []productDocument `json:"products"`
}

// productDocument is a product.
type productDocument struct {
	GTIN       string            `json:"gtin"`
	SKU        string            `json:"sku,omitempty"`
	Name       string            `json:"name,omitempty"`
	Category   string            `json:"category,omitempty"`
	Price      float64           `json:"price,omitempty"`
	HomeZones  []string          `json:"home_zones,omitempty"`
	Limits     []limitDocument   `json:"limits,omitempty"`
	Attributes map[string]string `json:"attributes,omitempty"`
}

// limitDocument is how many pieces of a product should be in one place.
type limitDocument struct {
	Zone string `json:"zone,omitempty"`
	Kind string `json:"kind,omitempty"`
	Min  *int   `json:"min,omitempty"`
	Max  *int   `json:"max,omitempty"`
}

// channelsDocument is the list of channels.
type channelsDocument struct {
	Channels []channelDocument `json:"channels"`
}

type channelDocument struct {
	Name        string            `json:"name"`
	URL         string            `json:"url"`
	Format      string            `json:"format,omitempty" jsonschema:"enum=webhook,enum=cloudevents,enum=template,default=webhook"`
	Template    json.RawMessage   `json:"template,omitempty"`
	Secrets     []secretDocument  `json:"secrets,omitempty" jsonschema_description:"Newest first, at most two. One that has no not_after may be sent as a text alone."`
	Headers     map[string]string `json:"headers,omitempty"`
	Values      map[string]string `json:"values,omitempty" jsonschema_description:"Secrets that the template fills in as {values.NAME}. In answers masks, which keep the value when they are sent back."`
	Escape      string            `json:"escape,omitempty" jsonschema:"enum=angle,enum=html,enum=markdown" jsonschema_description:"How the template writes texts of a message for a receiver that reads markup."`
	Timeout     string            `json:"timeout,omitempty" jsonschema:"example=15s"`
	Types       []string          `json:"types,omitempty" jsonschema_description:"Types of messages that it gets, or their beginnings up to a full stop, such as alert or alert.opened. Default: every type."`
	MaxInFlight int               `json:"max_in_flight,omitempty"`
	PerSecond   float64           `json:"per_second,omitempty"`
	Disabled    bool              `json:"disabled,omitempty"`

	AboutChannels bool `json:"about_channels,omitempty" jsonschema_description:"It is notified of other channels, too: channel.failing after 24 and 48 hours without a success, channel.stopped, channel.started, and channel.dead_letters at most once an hour for each; and site.entry_aside when something could not be processed and was set aside. No channel is told of itself. At most 8 channels are told."`
}

type secretDocument struct {
	Secret   string  `json:"secret" jsonschema_description:"whsec_ and base64. In answers a mask, which keeps the secret when it is sent back."`
	NotAfter *string `json:"not_after,omitempty" jsonschema:"format=date-time"`
}
