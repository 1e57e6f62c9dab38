package main

import (
	"bufio"
	"errors"
	"maps"
	"slices"
	"time"

	"bayledger/agent/site"
	"bayledger/drivers/recorded"
	"bayledger/historian/influx"
)

// exportCmd writes the journal's samples, calibrated and dated, as recorded data or as lines.
type exportCmd struct {
	Config string        `required:"" placeholder:"FILE" help:"Site file."`
	Format string        `enum:"csv,line" default:"csv" help:"csv (recorded data) or line (line protocol, times in ms)."`
	From   time.Time     `placeholder:"TIME" help:"First moment, RFC 3339; the beginning when not given."`
	To     time.Time     `placeholder:"TIME" help:"End, exclusive, RFC 3339; the newest sample when not given."`
	Gather time.Duration `default:"2s" help:"Readings of one bay within this time share a row of CSV."`
}

// Run implements the command.
func (c *exportCmd) Run(env *environment) (err error) {
	j, cfg, err := readJournal(env.Ctx, c.Config)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	var to sampleSink
	if c.Format == "csv" {
		to = recorded.NewSampleWriter(env.Stdout, cfg.Site, c.Gather)
	} else {
		places := maps.Clone(j.Places())
		for id, p := range cfg.Site.Places() {
			places[id] = p
		}
		to = &lineSink{enc: influx.NewEncoder(cfg.Site.ID, func() site.Places { return places }), out: bufio.NewWriterSize(env.Stdout, 64<<10)}
	}
	// The journal's order differs a little from the order of times where one line of the field
	// is slower than another; recorded data wants the latter.
	order := inOrder{within: time.Minute, to: to.Sample}
	for n, err := range j.Samples(env.Ctx, c.From, c.To) {
		if err == nil {
			err = env.Ctx.Err()
		}
		if err == nil {
			err = order.add(n.Sample)
		}
		if err != nil {
			return err
		}
	}
	return errors.Join(order.flush(), to.Flush())
}

// sampleSink is what takes samples in order of time.
type sampleSink interface {
	Sample(site.Sample) error
	Flush() error
}

// lineSink writes lines of the historian's form.
type lineSink struct {
	enc *influx.Encoder
	out *bufio.Writer
	buf []byte
}

func (l *lineSink) Sample(s site.Sample) (err error) {
	if l.buf, err = l.enc.Append(l.buf[:0], s); err != nil {
		return err
	}
	_, err = l.out.Write(l.buf)
	return err
}

func (l *lineSink) Flush() error { return l.out.Flush() }

// inOrder puts samples that come nearly in order of time into it: it holds them back until one
// has come that is later by more than within.
type inOrder struct {
	within time.Duration
	to     func(site.Sample) error
	held   []site.Sample // sorted by time
}

func (o *inOrder) add(s site.Sample) error {
	i, _ := slices.BinarySearchFunc(o.held, s.Time, func(h site.Sample, t time.Time) int {
		if h.Time.After(t) {
			return 1
		}
		return -1 // samples of one time stay in their order
	})
	o.held = slices.Insert(o.held, i, s)
	return o.give(o.held[len(o.held)-1].Time.Add(-o.within))
}

// give hands on what is older than t.
func (o *inOrder) give(t time.Time) error {
	n := 0
	for n < len(o.held) && o.held[n].Time.Before(t) {
		if err := o.to(o.held[n]); err != nil {
			return err
		}
		n++
	}
	o.held = o.held[n:]
	return nil
}

func (o *inOrder) flush() error {
	for _, s := range o.held {
		if err := o.to(s); err != nil {
			return err
		}
	}
	return nil
}
