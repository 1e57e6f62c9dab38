// Package sitefile reads a club's site file: YAML in, a site.Site and the Options of every part
// out, or every mistake of the file at once, each with line, column, what is wrong and what would
// be right.
//
// Load does all of it. The file's form is a tree of structs whose tags carry the key, its
// dimension, bounds, default and a sentence for people (File and what hangs on it, one file per
// part); a walker fills it from the YAML, and Schema and Reference print the JSON Schema and the
// reference of every key from the same tags, so that they cannot disagree with what is accepted.
//
// Three things to know. Values carry their unit in the text ("25 mm", "1 in") and are SI from
// here on. What a bay does not say itself it takes from its court's defaults, then from the
// file's defaults, key by key; lists are taken whole. A secret never stands in the file: only
// where it is kept, "file:/path" or "env:NAME"; nothing here reads it.
//
// Load touches nothing outside its arguments and starts no goroutine.
package sitefile
