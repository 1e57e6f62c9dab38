package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"bayledger/agent/sitefile"
	"bayledger/historian/journal"
)

// journalCmd looks after the journal of a site.
type journalCmd struct {
	Check   journalCheckCmd   `cmd:"" help:"Examine the whole journal and name every violation."`
	Refused journalRefusedCmd `cmd:"" help:"List lines a server refused, with its words."`
	Again   journalAgainCmd   `cmd:"" help:"Have refused lines sent once more."`
}

// readJournal opens a site's journal beside the daemon that may be writing it.
func readJournal(ctx context.Context, config string) (*journal.Journal, *sitefile.Config, error) {
	cfg, err := sitefile.LoadFile(config)
	if err != nil {
		return nil, nil, badInput(err)
	}
	o := cfg.Journal
	o.ReadOnly = true
	j, err := journal.Open(ctx, o)
	return j, cfg, err
}

type journalCheckCmd struct {
	Config string `required:"" placeholder:"FILE" help:"Site file."`
}

// Run implements the command.
func (c *journalCheckCmd) Run(env *environment) (err error) {
	j, _, err := readJournal(env.Ctx, c.Config)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	n := 0
	for violation := range j.Check(env.Ctx) {
		n++
		fmt.Fprintln(env.Stdout, violation)
	}
	if n > 0 {
		return fmt.Errorf("the journal has %d violations", n)
	}
	_, err = fmt.Fprintf(env.Stdout, "the journal is sound; its newest sample is number %d\n", j.Last())
	return err
}

type journalRefusedCmd struct {
	Config string `required:"" placeholder:"FILE" help:"Site file."`
	Limit  int    `default:"1000" help:"Most lines to list."`
	JSON   bool   `help:"One JSON object a line."`
}

// refusedLine is a line of the list as JSON.
type refusedLine struct {
	ID          int64     `json:"id"`
	Destination string    `json:"destination"`
	Seq         int64     `json:"seq"`
	Time        time.Time `json:"time"`
	Line        string    `json:"line"`
	Said        string    `json:"said"`
	Again       bool      `json:"again,omitempty"`
}

// Run implements the command.
func (c *journalRefusedCmd) Run(env *environment) (err error) {
	j, _, err := readJournal(env.Ctx, c.Config)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	list, err := j.SetAside(env.Ctx, "", c.Limit)
	if err != nil {
		return err
	}
	enc := json.NewEncoder(env.Stdout)
	enc.SetEscapeHTML(false)
	for _, a := range list {
		if c.JSON {
			err = enc.Encode(refusedLine{a.ID, a.Queue, a.Seq, a.Time, a.Line, a.Said, a.Again})
		} else {
			_, err = fmt.Fprintf(env.Stdout, "%d %s: %s\n    %s\n", a.ID, a.Queue, a.Line, a.Said)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

type journalAgainCmd struct {
	Config      string `required:"" placeholder:"FILE" help:"Site file."`
	Destination string `help:"Only lines of this destination."`
	ID          int64  `help:"Only this line."`
}

// Run implements the command.
func (c *journalAgainCmd) Run(env *environment) (err error) {
	j, _, err := readJournal(env.Ctx, c.Config)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	n, err := j.SendAgain(env.Ctx, c.Destination, c.ID)
	if err != nil {
		return err
	}
	if n == 0 && c.ID != 0 {
		return badInput(fmt.Errorf("there is no refused line %d", c.ID))
	}
	_, err = fmt.Fprintf(env.Stdout, "%d lines will be sent once more within a minute or two of the daemon's running\n", n)
	return err
}
