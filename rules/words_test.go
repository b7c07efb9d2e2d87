package rules_test

import (
	"downhaul/rules"
	"downhaul/rules/words"
)

func init() { rules.Aloud = words.Rule }
