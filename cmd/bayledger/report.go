package main

import (
	"bufio"
	"errors"
	"fmt"
	"time"

	"bayledger/agent"
	"bayledger/agent/report"
	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/agent/water"
)

// reportCmd writes the account of a day, a week or a season.
type reportCmd struct {
	Config string   `required:"" placeholder:"FILE" help:"Site file."`
	Span   string   `enum:"day,week,season" default:"week" help:"Length of the report: day, week (from Monday) or season (the calendar year)."`
	Day    string   `placeholder:"DATE" help:"A day within it, such as 2026-07-13. Default: the last closed day of the data."`
	Format string   `enum:"html,csv" default:"html" help:"html prints well; csv has a row for each bay and day."`
	Data   []string `arg:"" name:"data" help:"Recorded data: .csv or .csv.gz files, - for standard input, or the folder of one journal."`
}

// Run implements the command.
func (c *reportCmd) Run(env *environment) (err error) {
	cfg, err := sitefile.LoadFile(c.Config)
	if err != nil {
		return badInput(err)
	}
	src, err := (&replayCmd{Config: c.Config, Data: c.Data}).open(env, cfg)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, src.close()) }()
	core := agent.NewCore(src.site)
	in := report.Input{Site: src.site, Days: map[string][]water.Account{}, Book: report.NewBook(src.site), Made: time.Now()}
	for m, err := range src.data {
		if err != nil {
			return err
		}
		if err := env.Ctx.Err(); err != nil {
			return err
		}
		if m.record != nil {
			in.Records = append(in.Records, *m.record)
			in.Events = append(in.Events, core.Record(*m.record)...)
		} else {
			in.Events = append(in.Events, core.Sample(*m.sample)...)
			if m.sample.Quality == site.Good {
				in.Book.Add(src.site.Point(m.sample.Point), m.sample.Time, m.sample.Value, m.sample.Value)
			}
		}
	}
	last := time.Time{}
	for b := range src.site.Bays() {
		days := core.Ledger.Days(b.ID)
		in.Days[b.ID] = days
		if n := len(days); n > 0 && days[n-1].From.After(last) {
			last = days[n-1].From
		}
	}
	in.Mains = core.Ledger.MainDays()
	day, err := c.day(src.site, last)
	if err != nil {
		return badInput(err)
	}
	if in.From, in.To, err = report.Span(c.Span, day, src.site.Zone); err != nil {
		return badInput(err)
	}
	out := bufio.NewWriter(env.Stdout)
	r := report.Build(in)
	if c.Format == "csv" {
		err = r.CSV(out)
	} else {
		err = r.HTML(out)
	}
	return errors.Join(err, out.Flush())
}

func (c *reportCmd) day(s *site.Site, last time.Time) (time.Time, error) {
	if c.Day == "" {
		if last.IsZero() {
			return last, errors.New("the data holds no whole day from midnight to midnight, so there is nothing to report")
		}
		return last, nil
	}
	t, err := time.ParseInLocation(time.DateOnly, c.Day, s.Zone)
	if err != nil {
		return t, fmt.Errorf("--day: %q is not a date; write for example 2026-07-13", c.Day)
	}
	return t, nil
}
