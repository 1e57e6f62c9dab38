package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os/user"
	"strings"
	"text/tabwriter"
	"time"

	"bayledger/agent/alarm"
)

// ackCmd answers an alarm, or lists what is open, over the daemon's local socket.
type ackCmd struct {
	Alarm    string        `arg:"" optional:"" help:"The alarm: its number in the message, or its whole id. Without it the open alarms are listed."`
	Useful   string        `enum:"yes,no," default:"" help:"Whether the alarm was worth being told: yes or no."`
	Shelve   time.Duration `help:"Keep it quiet for so long, such as 8h; needs --why."`
	Why      string        `help:"Why it is shelved."`
	Unshelve bool          `help:"Let a shelved alarm speak again."`
	Who      string        `help:"Who answers. Default: the name you are logged in by."`
	Socket   string        `default:"/run/bayledger/bayledger.sock" env:"BAYLEDGER_SOCKET" help:"The daemon's local socket."`
	JSON     bool          `name:"json" help:"Print JSON."`
}

// ackPatience bounds the whole answer: the daemon is on this machine.
const ackPatience = 10 * time.Second

// Run implements the command.
func (c *ackCmd) Run(env *environment) error {
	in := alarm.Answer{Alarm: c.Alarm, Do: "ack", Who: c.Who}
	switch {
	case c.Alarm == "" && (c.Useful != "" || c.Shelve != 0 || c.Unshelve || c.Why != ""):
		return badInput(errors.New("name the alarm; bayledger ack lists those that are open"))
	case c.Shelve != 0 && c.Unshelve:
		return badInput(errors.New("an alarm is shelved or unshelved, not both"))
	case c.Shelve < 0:
		return badInput(errors.New("--shelve takes a time to come, such as 8h"))
	case c.Shelve != 0 && strings.TrimSpace(c.Why) == "":
		return badInput(errors.New("--shelve needs --why: the next person must know"))
	case c.Useful != "" && (c.Shelve != 0 || c.Unshelve):
		return badInput(errors.New("--useful belongs to an acknowledgement"))
	case c.Shelve != 0:
		in.Do, in.ForS, in.Text = "shelve", c.Shelve.Seconds(), c.Why
	case c.Unshelve:
		in.Do = "unshelve"
	case c.Useful != "":
		in.Useful = new(c.Useful == "yes")
	}
	if in.Who == "" {
		if u, err := user.Current(); err == nil { // else the answer is kept without a name
			in.Who = u.Username
		}
	}
	ctx, cancel := context.WithTimeout(env.Ctx, ackPatience)
	defer cancel()
	if c.Alarm == "" {
		var list []alarm.Listed
		if err := c.ask(ctx, http.MethodGet, nil, &list); err != nil {
			return err
		}
		return c.list(env.Stdout, list)
	}
	var done alarm.Listed
	if err := c.ask(ctx, http.MethodPost, in, &done); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(env.Stdout).Encode(done)
	}
	if _, err := fmt.Fprintf(env.Stdout, "%s: %s\n", done.Phase, done.Message); err != nil {
		return err
	}
	if in.Do == "ack" && in.Useful == nil {
		fmt.Fprintf(env.Stderr, "Was it worth being told? bayledger ack %s --useful yes, or --useful no\n", c.Alarm)
	}
	return nil
}

func (c *ackCmd) list(w io.Writer, list []alarm.Listed) error {
	if c.JSON {
		return json.NewEncoder(w).Encode(list)
	}
	if len(list) == 0 {
		_, err := fmt.Fprintln(w, "No alarm is open.")
		return err
	}
	t := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	fmt.Fprintln(t, "NO.\tSTATE\tALARM")
	for _, l := range list {
		state, ref := string(l.Phase), fmt.Sprint(l.Ref)
		if l.Ref == 0 {
			ref = "-"
		}
		if l.AckBy != "" {
			state += " by " + l.AckBy
		}
		fmt.Fprintf(t, "%s\t%s\t%s\n", ref, state, l.Message)
		if l.Why != "" {
			fmt.Fprintf(t, "\t\t(%s)\n", l.Why)
		}
	}
	return t.Flush()
}

func (c *ackCmd) ask(ctx context.Context, method string, in, out any) error {
	return overSocket(ctx, c.Socket, method, alarm.AnswersPath, in, out)
}
