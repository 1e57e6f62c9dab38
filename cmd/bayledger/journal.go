package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"bayledger/agent"
	"bayledger/agent/clock"
	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/historian/journal"
)

// journalCmd looks after the journal of a site.
type journalCmd struct {
	Check   journalCheckCmd   `cmd:"" help:"Examine the whole journal and name every violation."`
	Refused journalRefusedCmd `cmd:"" help:"List lines a server refused, with its words."`
	Again   journalAgainCmd   `cmd:"" help:"Have refused lines sent once more."`
	Redate  journalRedateCmd  `cmd:"" help:"Put readings where they belong that a clock far ahead has dated; the daemon must be stopped."`
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
	return j, cfg, noJournal(err)
}

// noJournal makes a folder without a journal the user's to mend.
func noJournal(err error) error {
	if errors.Is(err, journal.ErrNone) {
		return badInput(err)
	}
	return err
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
	if n == 0 {
		_, err = fmt.Fprintln(env.Stdout, "no refused line is kept here")
		return err
	}
	_, err = fmt.Fprintf(env.Stdout, "%s will be sent once more within a minute or two of the daemon's running\n", count(int(n), "line"))
	return err
}

type journalRedateCmd struct {
	Config string        `required:"" placeholder:"FILE" help:"Site file."`
	From   time.Time     `placeholder:"TIME" help:"Time of the first wrong reading (RFC 3339), where the jump is not found by itself."`
	By     time.Duration `placeholder:"DURATION" help:"By how much the clock was ahead, where it is known, such as 87600h."`
	Yes    bool          `help:"Do it; without, only say what would be done."`
}

// Run implements the command.
func (c *journalRedateCmd) Run(env *environment) (err error) {
	cfg, err := sitefile.LoadFile(c.Config)
	if err != nil {
		return badInput(err)
	}
	boot, err := agent.BootID()
	if err != nil {
		return err
	}
	o := cfg.Journal
	o.ReadOnly = !c.Yes
	j, err := journal.Open(env.Ctx, o)
	if errors.Is(err, journal.ErrInUse) {
		return badInput(errors.New("the daemon is writing the journal; stop it first (systemctl stop bayledger)"))
	} else if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	look := clock.This().Look()
	now := look.Wall
	r, err := j.Ahead(env.Ctx, now, c.From)
	if err != nil {
		return err
	}
	say := func(format string, args ...any) {
		if err == nil {
			_, err = fmt.Fprintf(env.Stdout, format+"\n", args...)
		}
	}
	say("this machine's clock shows %s; the newest reading is of %s", now.Format(time.RFC3339), j.Newest().Format(time.RFC3339))
	if r.N == 0 {
		say("no reading is ahead of the clock: there is nothing to put right")
		return err
	}
	why := "the clock was seen to step by so much"
	switch {
	case c.By != 0:
		r.Shift, why = -c.By.Abs(), "as you say"
	case !r.Seen:
		why = "nobody saw the clock step, so they are put right behind the reading before them; --by says it better"
	}
	say("%d readings are ahead, numbers %d to %d, of %s to %s", r.N, r.First, r.Last, r.From.Format(time.RFC3339), r.To.Format(time.RFC3339))
	say("the reading before them is of %s", r.Sound.Format(time.RFC3339))
	say("they are moved by %v to %s to %s: %s", r.Shift, r.From.Add(r.Shift).Format(time.RFC3339), r.To.Add(r.Shift).Format(time.RFC3339), why)
	if !c.Yes {
		say("nothing is done yet; if the clock is right now and the jump is the one meant, stop the daemon and say --yes")
		return err
	}
	if rerr := j.Redate(env.Ctx, r, now, boot, now.Add(-look.Boot)); rerr != nil {
		return errors.Join(err, badInput(rerr))
	}
	rec := site.Record{Time: now, Kind: site.RecClock, Who: "bayledger journal redate", Value: r.Shift.Seconds(), Value2: site.Unknown(),
		Text: fmt.Sprintf("%d readings from a clock that was ahead were moved by %v, numbers %d to %d", r.N, r.Shift, r.First, r.Last)}
	if _, rerr := j.AppendRecord(env.Ctx, rec); rerr != nil {
		return errors.Join(err, rerr)
	}
	say("done: they go out once more, marked uncertain; start the daemon")
	if len(cfg.Influx) > 0 {
		say("what the servers already have of them stays there under the wrong times; in InfluxDB 1.8, for each database:")
		say("  DELETE FROM /.*/ WHERE \"site\" = '%s' AND time >= '%s'", cfg.Site.ID, r.From.Format(time.RFC3339))
	}
	return err
}
