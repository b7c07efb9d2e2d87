package rules

// Aloud reads a rule aloud; words_test.go sets it, since what reads rules aloud
// imports this package.
var Aloud func(*Rule) string
