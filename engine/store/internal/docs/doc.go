// Package docs turns documents into the bytes that the engines keep, the same in each: a small head
// that lists are made of, and a body that is compressed when it is large.
package docs
