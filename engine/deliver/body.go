package deliver

import (
	"bytes"
	"encoding/json"
	"errors"
	"strconv"

	"lintel/engine/event"
)

// Content types of the formats.
const (
	contentJSON        = "application/json"
	contentCloudEvents = "application/cloudevents+json; charset=utf-8"
)

// Render returns the body that the channel's receiver gets of a delivery of the site, and its
// content type. Notices are those of Notices.
func (c Channel) Render(site string, d *event.Delivery) (body []byte, contentType string, err error) {
	b := make([]byte, 0, len(d.Data)+256)
	contentType = contentJSON
	switch c.Format {
	case FormatTemplate:
		if c.template == nil {
			return nil, "", errors.New("the channel has no template")
		}
		b, err = c.template.render(b, fills{site: site, d: d, values: c.Values, escape: c.Escape})
	case FormatCloudEvents:
		contentType = contentCloudEvents
		b, err = cloudEvent(b, site, d)
	default:
		b, err = webhookBody(b, d)
	}
	if err != nil {
		return nil, "", err
	}
	if len(b) > MaxBodyBytes {
		return nil, "", tooLarge(len(b))
	}
	return b, contentType, nil
}

// webhookBody appends the payload that Standard Webhooks 1.0 recommends.
func webhookBody(b []byte, d *event.Delivery) ([]byte, error) {
	b = append(b, `{"type":`...)
	b = append(b, quote(d.Type)...)
	b = append(b, `,"timestamp":"`...)
	b = append(b, timestamp(d.At)...)
	return appendData(append(b, '"'), d.Data)
}

// cloudEvent appends a CloudEvents 1.0 event in the JSON format. "order" is an extension attribute
// of ours: the place among the messages about the event's subject.
func cloudEvent(b []byte, site string, d *event.Delivery) ([]byte, error) {
	b = append(b, `{"specversion":"1.0","id":`...)
	b = append(b, quote(d.ID)...)
	b = append(b, `,"source":`...)
	if site == Notices {
		b = append(b, `"/channels"`...) // and the subject is the channel that it is about
	} else {
		b = append(b, quote("/sites/"+site)...)
	}
	b = append(b, `,"type":`...)
	b = append(b, quote(d.Type)...)
	b = append(b, `,"time":"`...)
	b = append(b, timestamp(d.At)...)
	if d.Alert != "" { // a subject must not be empty
		b = append(b, `","subject":`...)
		b = append(b, quote(d.Alert)...)
		b = append(b, `,"order":`...)
	} else {
		b = append(b, `","order":`...)
	}
	b = strconv.AppendInt(b, int64(d.Order), 10)
	return appendData(append(b, `,"datacontenttype":"application/json"`...), d.Data)
}

// appendData closes an object with the member "data".
func appendData(b []byte, data json.RawMessage) ([]byte, error) {
	if len(data) == 0 {
		data = json.RawMessage("{}")
	}
	buf := bytes.NewBuffer(append(b, `,"data":`...))
	if err := json.Compact(buf, data); err != nil {
		return nil, errData
	}
	return append(buf.Bytes(), '}'), nil
}
