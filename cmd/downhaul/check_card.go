package main

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"

	"downhaul/interlock/records/plain"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/document"
	"downhaul/rules/words"
)

// cardSays is a test card in sentences.
func cardSays(c *card.Card) []string {
	out := []string{fmt.Sprintf("Craft %s, %s ready to fly.", c.Craft.Name, c.Show(c.Craft.Mass, rules.Mass))}
	out = append(out, motorsSay(c)...)
	for i := range c.Steps {
		out = append(out, fmt.Sprintf("Step %d, %s", i+1, words.Step(&c.Steps[i], c)))
	}
	return out
}

// stepEnvelopes reads the envelopes that the steps of a card name, each once,
// and holds them against the hashes on the card.
func (c *checked) stepEnvelopes(f *checkedFile, crd *card.Card) {
	for i := range crd.Steps {
		step := &crd.Steps[i]
		if step.Envelope == "" {
			continue
		}
		name := step.Envelope
		if !filepath.IsAbs(name) {
			name = filepath.Join(filepath.Dir(f.File), name)
		}
		wrong := document.Fault{File: f.File, Line: step.Line, Key: fmt.Sprintf("step[%d].envelope", i+1), Got: document.Quote(step.Envelope)}
		text, err := plain.Read(name, plain.Setup)
		switch sum := sha256.Sum256(text); {
		case errors.Is(err, fs.ErrNotExist):
			wrong.Wrong, wrong.Mend = "there is no such file", "write its path from the card's own folder"
		case err != nil:
			wrong.Wrong, wrong.Mend = "cannot be read", err.Error()
		case kindOf(text) != isEnvelope:
			wrong.Wrong, wrong.Mend = "is no envelope", "name a file with [[rule]]"
		case sum != step.EnvelopeHash:
			wrong.Key += "_sha256"
			wrong.Wrong, wrong.Got = "the file is another than the one that was agreed", "a file of "+hex.EncodeToString(sum[:])
			wrong.Mend = "read the file again; if it is right, write this hash"
		default:
			wrong.Wrong = ""
			if env, faults := rules.ReadEnvelope(name, text); step.Stand != nil && len(faults) == 0 {
				step.Stand.AskLimits(env, func(says string, args ...any) {
					c.Warnings = append(c.Warnings, fmt.Sprintf("%s:%d: step %q does not start: ", f.File, step.Line, step.Name)+fmt.Sprintf(says, args...))
				})
			}
		}
		if wrong.Wrong != "" {
			f.add(document.Faults{wrong})
		}
		if err == nil && !c.has(name) && kindOf(text) == isEnvelope {
			c.Files = append(c.Files, c.read(name, text))
		}
	}
}
