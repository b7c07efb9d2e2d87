package commission

import (
	"context"
	"errors"
	"fmt"
	"strings"
)

// Crew is the people at the pad.
type Crew interface {
	// Say tells them one sentence: what is done, what is found, or what they
	// are to do now with their hands.
	Say(text string)
	// Ask puts a question and gives the line they answer. An error (the end of
	// the input, a broken-off run) ends the run.
	Ask(ctx context.Context, question, answers string) (string, error)
}

// errBroken ends a run before its end.
var errBroken = errors.New("broken off")

// skipped ends a test that the crew leaves out.
type skipped struct{ reason string }

func (s skipped) Error() string { return "skipped: " + s.reason }

// ask takes the power off and puts the question until accept takes the answer.
func (b *bench) ask(question, answers string, accept func(string) error) error {
	if err := b.rig.safe(); err != nil {
		return fmt.Errorf("open the relay: %w", err)
	}
	return b.askOn(question, answers, accept)
}

func (b *bench) askOn(question, answers string, accept func(string) error) error {
	for {
		answer, err := b.crew.Ask(b.ctx, question, answers)
		if err != nil {
			return fmt.Errorf("%w: %w", errBroken, err)
		}
		answer = strings.TrimSpace(answer)
		if word, reason, _ := strings.Cut(answer, " "); strings.EqualFold(word, "skip") {
			if b.within && strings.TrimSpace(reason) != "" {
				return skipped{strings.TrimSpace(reason)}
			}
			if b.within {
				b.crew.Say("Say why: skip, and the reason behind it.")
			} else {
				b.crew.Say("This cannot be skipped.")
			}
			continue
		}
		if err = accept(answer); err == nil {
			return nil
		}
		b.crew.Say(sentence(err.Error()))
	}
}

// sentence makes an error's words one.
func sentence(text string) string {
	if text == "" {
		return text
	}
	return strings.ToUpper(text[:1]) + text[1:] + "."
}

// yes puts a question with two answers.
func (b *bench) yes(question string) (yes bool, err error) {
	err = b.ask(question, b.answers("yes or no"), func(answer string) error {
		switch strings.ToLower(answer) {
		case "yes", "y":
			yes = true
		case "no", "n":
			yes = false
		default:
			return fmt.Errorf("answer yes or no (got %q)", answer)
		}
		return nil
	})
	return yes, err
}

// text asks for words.
func (b *bench) text(question, answers string) (text string, err error) {
	err = b.ask(question, b.answers(answers), func(answer string) error {
		const longest = 80
		if answer == "" || len(answer) > longest {
			return fmt.Errorf("answer with 1 to %d characters", longest)
		}
		text = answer
		return nil
	})
	return text, err
}

func (b *bench) answers(text string) string {
	if b.within {
		return text + "; or skip and why"
	}
	return text
}

// await tells the crew what to do with their hands and watches until it is
// seen. When it is not, the power goes off and they are asked: false is that
// they gave up.
func (b *bench) await(do string, until func(*look) bool, again func() error) (look, bool, error) {
	for {
		b.crew.Say(do)
		l, ok, err := b.rig.watch(b.ctx, b.patience, until)
		if err != nil || ok {
			return l, ok, err
		}
		more, err := b.yes(fmt.Sprintf("Nothing of that was seen for %d s. Try once more?", int(b.patience.Seconds())))
		if err != nil || !more {
			return l, false, err
		}
		if again != nil {
			if err := again(); err != nil {
				return l, false, err
			}
		}
	}
}
