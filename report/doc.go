// Package report draws figures as text, tables and JSON. It comes after record and before
// cmd, and computes nothing but summaries of what it shows.
package report
