// Package hours reads and compares times of day, days, opening hours and lengths of time as people
// write them in documents. It knows no time zone but the one that it is handed, and reads no clock.
package hours
