package guard

import (
	"errors"
	"os"
	"path/filepath"

	"downhaul/interlock/pad"
	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/session"
	"downhaul/interlock/sense"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/document"
)

// File is one of the three files as read.
type File struct {
	Name string
	Text []byte
}

// Files are the files a guard runs on. Card may be empty.
type Files struct {
	Pad, Envelope, Card File
	// rest reads envelope and card; nil where that was done.
	rest func(*Files) error
}

// ReadFiles reads the files from disk. Where envelope is empty it is envelope.toml beside
// the pad file; a card.toml beside it is taken if it is there.
func ReadFiles(padName, envelopeName, cardName string) (Files, error) {
	f, err := ReadPad(padName, envelopeName, cardName)
	return f, errors.Join(err, f.readRest())
}

// ReadPad is ReadFiles, and leaves envelope and card to Open: by then the relay was
// requested low, whatever their disk does. It reads all where there is no pad file.
func ReadPad(padName, envelopeName, cardName string) (f Files, err error) {
	read := func(dst *File, name string) (err error) {
		dst.Name = name
		dst.Text, err = plain.Read(name, plain.Setup)
		return err
	}
	beside := func(name, other string) string {
		if name == "" {
			return filepath.Join(filepath.Dir(padName), other)
		}
		return name
	}
	f.rest = func(f *Files) error {
		err := read(&f.Envelope, beside(envelopeName, session.Envelope))
		cardErr := read(&f.Card, beside(cardName, session.Card))
		if cardName == "" && errors.Is(cardErr, os.ErrNotExist) {
			f.Card, cardErr = File{}, nil
		}
		return errors.Join(err, cardErr)
	}
	if err = read(&f.Pad, padName); err != nil {
		err = errors.Join(err, f.readRest())
	}
	return f, err
}

func (f *Files) readRest() error {
	rest := f.rest
	if f.rest = nil; rest == nil {
		return nil
	}
	return rest(f)
}

// Checked is what the three files say, once nothing is wrong with them.
type Checked struct {
	Pad      *pad.Pad
	Envelope *rules.Envelope
	Card     *card.Card // nil without one
}

// Check reads all files and gives every fault of all of them at once.
func (f Files) Check() (Checked, document.Faults) { return f.check(pad.Read(f.Pad.Name, f.Pad.Text)) }

// check is Check behind the pad file.
func (f Files) check(p *pad.Pad, all document.Faults) (Checked, document.Faults) {
	c := Checked{Pad: p}
	var faults document.Faults
	c.Envelope, faults = rules.ReadEnvelope(f.Envelope.Name, f.Envelope.Text)
	all = append(all, faults...)
	if c.Pad != nil && c.Envelope != nil {
		all = append(all, c.Envelope.CheckFed(f.Envelope.Name, c.Pad.Fed)...)
	}
	if f.Card.Name != "" {
		c.Card, faults = card.Read(f.Card.Name, f.Card.Text)
		all = append(all, faults...)
		if c.Pad != nil && c.Card != nil {
			all = append(all, c.Pad.CheckCard(f.Card.Name, c.Card)...)
		}
	}
	return c, (&sense.Files{Pad: c.Pad, Envelope: c.Envelope, Card: c.Card,
		PadFile: sense.Source(f.Pad), LimitFile: sense.Source(f.Envelope), CardFile: sense.Source(f.Card)}).Refused(all)
}
