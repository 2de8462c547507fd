// Package rules turns the rule documents that shop staff write into conditions that run on facts.
package rules
