package agent

import (
	"context"
	"errors"
	"time"

	"bayledger/agent/procedure"
	"bayledger/agent/site"
	"bayledger/agent/words"
	"bayledger/drivers/modbus"
)

// isolator is the one part that can make anything happen on the field: it shuts the main when
// agent/procedure allows, and puts on record what became of it. Orders come from alarms, from a
// person, and from the procedure that proves the valve.
type isolator struct {
	a      *Agent
	orders chan isolationOrder
}

type isolationOrder struct{ text, subject, who string }

// shutTries is how often the valve is ordered to shut before that is reported as failed.
const shutTries = 3

// shutPatience bounds one try: the line's own requests go first, and a line in trouble is dialled
// again meanwhile.
const shutPatience = 20 * time.Second

// order takes an order without waiting; what comes while one is carried out and two wait is told
// again by whoever wants it.
func (i *isolator) order(o isolationOrder) {
	select {
	case i.orders <- o:
	default:
	}
}

// heard looks at events that were told and at records for what asks for the main to be shut.
func (i *isolator) heard(events []site.Event) {
	for _, e := range events {
		if procedure.Closes(e) {
			i.order(isolationOrder{subject: e.ID, who: "daemon"})
		}
	}
}

func (i *isolator) recorded(r site.Record) {
	if r.Kind == site.RecIsolation && (r.Text == procedure.IsolationOrder || r.Text == procedure.PersonOrder) {
		i.order(isolationOrder{r.Text, r.Subject, r.Who})
	}
}

func (i *isolator) run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case o := <-i.orders:
			i.carryOut(ctx, o)
		}
	}
}

func (i *isolator) carryOut(ctx context.Context, o isolationOrder) {
	log := i.a.part("isolation")
	say := func(r site.Record) {
		// A record that has been decided on is kept even when the daemon is stopping.
		if _, err := i.a.Record(context.WithoutCancel(ctx), r); err != nil {
			log.Error("not on record", "text", r.Text, "error", err)
		}
	}
	now := i.a.clk.Now()
	var do bool
	var said *site.Record
	i.a.Core(func(c *Core) { do, said = c.Procedures.Isolate(now, o.text, o.subject, o.who) })
	if said != nil {
		log.Warn("isolation valve "+said.Text, "why", o.subject)
		say(*said)
	}
	if !do {
		return
	}
	var err error
	for range shutTries {
		try, cancel := context.WithTimeout(ctx, shutPatience)
		err = i.a.parts.Load().driver.ShutValve(try)
		cancel()
		if _, refused := errors.AsType[*modbus.ExceptionError](err); err == nil || refused || errors.Is(err, modbus.ErrNoOutput) || ctx.Err() != nil {
			break
		}
	}
	rec := site.Record{Time: i.a.clk.Now(), Kind: site.RecIsolation, Subject: o.subject, Who: o.who, Text: procedure.MainShut, Value: site.Unknown(), Value2: site.Unknown()}
	if err != nil {
		rec.Text = procedure.MainFailed + err.Error()
		log.Error("isolation valve did not shut", "why", o.subject, "error", err)
	} else {
		log.Warn("isolation valve shut", "why", o.subject)
	}
	say(rec)
}

// isolationTroubles are what the alarm desk is told of the isolation valve. m may be nil.
func isolationTroubles(say words.Voice, m *procedure.Main, device string) []condition {
	var out []condition
	if m == nil {
		return nil
	}
	if m.Shut {
		out = append(out, condition{Kind: site.IsolationClosed, Subject: "main", Because: say.Say("The daemon shut the main because of %s.", m.Why)})
	}
	if m.Trouble != "" {
		out = append(out, condition{Kind: site.NoData, Subject: device, Because: say.Say("The isolation valve does not do as it was told: %s.", m.Trouble)})
	}
	return out
}
