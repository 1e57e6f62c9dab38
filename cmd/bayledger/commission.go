package main

import (
	"bufio"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"bayledger/agent"
	"bayledger/agent/clock"
	"bayledger/agent/procedure"
	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/agent/words"
)

// commissionCmd leads through the guided procedures in a terminal. It talks to the daemon over its
// local socket; where none runs it reads the site by itself.
type commissionCmd struct {
	Procedure string        `arg:"" optional:"" help:"Which one to begin, or to go on with; without it they are listed."`
	Config    string        `placeholder:"FILE" help:"The site file, to read the site without a daemon."`
	Bay       string        `placeholder:"ID" help:"The bay, for a procedure of one bay."`
	Dir       string        `placeholder:"DIR" help:"Folder of the journal, in place of the site file's; only without a daemon."`
	Socket    string        `default:"/run/bayledger/bayledger.sock" env:"BAYLEDGER_SOCKET" placeholder:"PATH" help:"The daemon's local socket."`
	Who       string        `help:"Who answers. Default: the name you are logged in by."`
	Record    bool          `help:"Print the newest record of the procedure and leave."`
	Form      string        `enum:"text,html,json" default:"text" help:"Form of the record: text, html or json."`
	Main      string        `enum:"shut,hold,opened," default:"" help:"The isolation valve: shut it now, hold it off for --for, or say that it was opened; needs --why."`
	For       time.Duration `default:"8h" help:"How long to hold it off."`
	Why       string        `help:"The reason, for the record."`
	JSON      bool          `name:"json" help:"Print every change as a JSON line; answers are still read line by line."`
	Every     time.Duration `default:"1s" hidden:"" help:"How often the daemon is asked."`
}

// commissioning is one sitting at the terminal.
type commissioning struct {
	cmd    *commissionCmd
	env    *environment
	socket string
	// alone is true when the daemon lives in this process: leaving ends the watch.
	alone bool
	// voice speaks the site's language, by the clock of this terminal or of the site it reads itself.
	voice words.Voice
	kind  procedure.Kind
	bay   string
	// shown and said are the step and the words that stand on the screen.
	shown, said string
	sent        []byte
}

// Run implements the command.
func (c *commissionCmd) Run(env *environment) (err error) {
	if c.Who == "" {
		if u, err := user.Current(); err == nil { // else the answers are kept without a name
			c.Who = u.Username
		}
	}
	if kinds := procedure.Kinds(); c.Procedure != "" && !slices.Contains(kinds, procedure.Kind(c.Procedure)) {
		var names []string
		for _, k := range kinds {
			names = append(names, string(k))
		}
		return badInput(fmt.Errorf("there is no procedure %q; there are %s", c.Procedure, strings.Join(names, ", ")))
	}
	s := &commissioning{cmd: c, env: env, socket: c.Socket, voice: words.Voice{Zone: time.Local}, kind: procedure.Kind(c.Procedure), bay: c.Bay}
	stop, err := s.connect()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, stop()) }()
	p, err := s.picture()
	if err != nil {
		return err
	}
	switch {
	case c.Main != "":
		_, err := s.ask(http.MethodPost, procedure.Answer{Do: "main-" + c.Main, Text: c.For.String(), Why: c.Why, Who: c.Who})
		return err
	case c.Record:
		return s.print(p)
	case c.Procedure == "" && c.JSON:
		return json.NewEncoder(env.Stdout).Encode(p)
	case c.Procedure == "":
		return s.list(p)
	}
	return s.lead(p)
}

// connect finds the daemon, or starts one on the site file in this process.
func (s *commissioning) connect() (stop func() error, err error) {
	stop = func() error { return nil }
	if l, err := net.Dial("unix", s.socket); err == nil {
		return stop, l.Close()
	}
	c := s.cmd
	if c.Config == "" {
		return stop, fmt.Errorf("no daemon answers at %s; name the site file with --config to read the site without one", s.socket)
	}
	cfg, err := loadSite(c.Config)
	if err != nil {
		return stop, err
	}
	if problems := cfg.Runnable(); len(problems) > 0 {
		return stop, sitefile.Mistakes{File: cfg.Name, Problems: problems}
	}
	dir, err := os.MkdirTemp("", "bayledger-commission-")
	if err != nil {
		return stop, err
	}
	s.socket, s.alone, s.voice = filepath.Join(dir, "socket"), true, words.Of(cfg.Site)
	cfg.Page.Listen = "127.0.0.1:0"
	a, err := agent.New(s.env.Ctx, agent.Options{Config: cfg, Dir: c.Dir, Clock: clock.NewWatched(clock.This()), Log: logger(s.env.Stderr, c.JSON, slog.LevelWarn),
		Version: version, Socket: s.socket})
	if err == nil {
		err = a.Start()
	}
	if err != nil {
		if a != nil {
			err = errors.Join(err, a.Stop())
		}
		return stop, errors.Join(err, os.RemoveAll(dir))
	}
	s.say("No daemon runs; reading the site in this terminal. The journal is kept, so you can go on later.")
	return func() error { return errors.Join(a.Stop(), os.RemoveAll(dir)) }, nil
}

func (s *commissioning) ask(method string, in any) (p procedure.Picture, err error) {
	ctx, cancel := context.WithTimeout(s.env.Ctx, ackPatience)
	defer cancel()
	if err = overSocket(ctx, s.socket, method, procedure.SocketPath, in, &p); err == nil {
		s.voice.Language = p.Language
	}
	return p, err
}

func (s *commissioning) picture() (procedure.Picture, error) { return s.ask(http.MethodGet, nil) }

func (s *commissioning) say(phrase string, args ...any) {
	if !s.cmd.JSON {
		fmt.Fprintln(s.env.Stderr, s.voice.Say(phrase, args...))
	}
}

// list prints what there is to do, what is under way and what is on record.
func (s *commissioning) list(p procedure.Picture) error {
	t := tabwriter.NewWriter(s.env.Stdout, 0, 8, 2, ' ', 0)
	say := s.voice.Say
	fmt.Fprintln(t, say("PROCEDURE\tTAKES\tTHEN ALONE\tWHAT IT IS"))
	for _, o := range p.Offers {
		then, what := "-", o.Says
		if o.Alone > 0 {
			then = s.voice.Speak(procedure.Span(o.Alone))
		}
		if o.PerBay {
			what += " (--bay)"
		}
		switch {
		case o.Not != "":
			what = say("not here: %s", o.Not)
		case o.UnderWay:
			what = say("under way: go on with it")
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", o.Kind, s.voice.Speak(procedure.Span(o.Takes)), then, what)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	w := s.env.Stdout
	if m := p.Main; m != nil && m.Enabled {
		fmt.Fprintln(w, say("\nMain valve: %s", mainWords(m, s.voice)))
	}
	for _, r := range p.Runs {
		fmt.Fprintln(w, say("\nUnder way: %s%s, step %d of %d: %s", string(r.Kind), of(r.Bay), r.Index, r.Of, r.Now.Title))
		if r.Now.Verdict.Says != "" {
			fmt.Fprintf(w, "  %s\n", r.Now.Verdict.Says)
		}
	}
	for _, r := range p.Records {
		fmt.Fprintln(w, say("\nOn record: %s%s, %s: %s", string(r.Kind), of(r.Bay), s.voice.Time(r.Ended, "2 Jan 2006 15:04"), r.In(s.voice).Stand()))
	}
	return nil
}

// mainWords say how the isolation valve stands.
func mainWords(m *procedure.Main, v words.Voice) string {
	stands := v.Say("open")
	switch {
	case m.Shut:
		stands = v.Say("shut by the daemon since %s: %s", v.Time(m.Since, "2 Jan 15:04"), m.Why)
	case m.Proved.IsZero():
		stands = v.Say("not proved yet (isolation-proof), so the daemon never shuts it")
	case m.DryRun:
		stands = v.Say("open; a dry run only says what would have been done")
	case !m.Hold.IsZero():
		stands = v.Say("open; held off until %s", v.Time(m.Hold, "2 Jan 15:04"))
	}
	if m.Trouble != "" {
		stands += "; " + m.Trouble
	}
	return stands
}

func of(bay string) site.Phrase {
	if bay == "" {
		return site.Phrase{}
	}
	return site.Say(" of %s", bay)
}

// print writes the newest record of the procedure.
func (s *commissioning) print(p procedure.Picture) error {
	for _, r := range slices.Backward(p.Records) {
		if (s.kind == "" || r.Kind == s.kind) && (s.bay == "" || r.Bay == s.bay) {
			return s.write(r)
		}
	}
	return fmt.Errorf("no record of %s yet", cmp.Or(string(s.kind), "any procedure"))
}

func (s *commissioning) write(r procedure.Record) error {
	r = r.In(s.voice)
	switch {
	case s.cmd.Form == "html":
		return r.WriteHTML(s.env.Stdout)
	case s.cmd.Form == "json" || s.cmd.JSON:
		return json.NewEncoder(s.env.Stdout).Encode(r)
	}
	return r.WriteText(s.env.Stdout)
}

// mine is the run this sitting is about; nil when it is not under way.
func (s *commissioning) mine(p procedure.Picture) *procedure.Running {
	i := slices.IndexFunc(p.Runs, func(r procedure.Running) bool { return r.Kind == s.kind && (s.bay == "" || r.Bay == s.bay) })
	if i < 0 {
		return nil
	}
	return &p.Runs[i]
}

// lead begins the procedure, or goes on with it, and stays until it ends, needs nobody any more, or
// the person leaves.
func (s *commissioning) lead(p procedure.Picture) (err error) {
	ctx, cancel := context.WithCancel(s.env.Ctx)
	defer cancel()
	lines := readLines(ctx, s.env.Stdin)
	r := s.mine(p)
	if r == nil {
		if i := slices.IndexFunc(p.Offers, func(o procedure.Offer) bool { return o.Kind == s.kind }); i >= 0 {
			o := p.Offers[i]
			s.say("%s: %s.", o.Title, o.Says)
			s.say("It takes about %s, in %d steps.%s", procedure.Span(o.Takes), o.Steps, thenAlone(o.Alone))
		}
		if p, err = s.ask(http.MethodPost, procedure.Answer{Do: "start", Kind: s.kind, Bay: s.bay, Who: s.cmd.Who}); err != nil {
			return err
		}
		if r = s.mine(p); r == nil {
			return errors.New("the procedure could not be started; the daemon's log says why")
		}
	} else {
		s.say("Going on with %s%s, begun by %s on %s.", r.Title, of(r.Bay), cmp.Or(r.By, s.voice.Say("somebody")), s.voice.Time(r.Started, "2 Jan 15:04"))
		for _, x := range r.Results {
			s.say("  %s: %s", x.Title, s.voice.Say(string(x.Outcome)))
		}
	}
	s.bay = r.Bay
	id := r.ID
	ticker := time.NewTicker(s.cmd.Every)
	defer ticker.Stop()
	for {
		if done, err := s.show(p, id); done || err != nil {
			return err
		}
		in := lines
		if r := s.mine(p); s.cmd.JSON && r != nil && !wanted(r) {
			in = nil // a script's next line is for the next question
		}
		select {
		case <-ctx.Done():
			s.say("\nLeft. It goes on where it stands: bayledger commission %s", s.kind)
			return nil
		case <-ticker.C:
			if p, err = s.picture(); err != nil {
				return err
			}
		case line, more := <-in:
			if !more { // nothing more can be answered: only watch
				lines = nil
				continue
			}
			if s.command(line, s.mine(p), id) {
				return nil
			}
			if p, err = s.picture(); err != nil {
				return err
			}
		}
	}
}

// wanted reports whether a person has something to say now: an answer, or what to do about a step
// that has failed.
func wanted(r *procedure.Running) bool {
	return asked(&r.Now) || r.Now.Verdict.State == procedure.Failed || r.Now.Verdict.State == procedure.Undecided
}

// asked reports whether the step takes an answer now.
func asked(n *procedure.Now) bool { return slices.Contains(n.Can, "answer") }

func thenAlone(d time.Duration) site.Phrase {
	if d == 0 {
		return site.Phrase{}
	}
	return site.Say(" Then the tool goes on alone for up to %s.", procedure.Span(d))
}

// command carries out one line that was typed. It returns true when the person leaves.
func (s *commissioning) command(line string, r *procedure.Running, id string) (leave bool) {
	word, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
	if r == nil {
		return false
	}
	a := procedure.Answer{Run: id, Step: r.Now.Step, Who: s.cmd.Who, Why: strings.TrimSpace(rest)}
	switch strings.ToLower(word) {
	case "quit", "q":
		s.say("Left. It goes on where it stands: bayledger commission %s", s.kind)
		return true
	case "?", "help":
		s.shown, s.said = "", ""
		return false
	case "again", "skip", "stop":
		a.Do = strings.ToLower(word)
	default:
		a.Do, a.Text, a.Why = "answer", strings.TrimSpace(line), ""
		if !asked(&r.Now) && !r.Now.Verdict.Early {
			if a.Text != "" {
				s.say("  Nothing is asked now. You can say: %s, quit.", strings.Join(r.Now.Can, ", "))
			}
			return false
		}
	}
	if _, err := s.ask(http.MethodPost, a); err != nil {
		s.say("  %s", err)
		if s.cmd.JSON {
			_ = json.NewEncoder(s.env.Stdout).Encode(map[string]string{"error": err.Error()})
		}
	}
	return false
}

// show prints what has changed. It returns true at the end of the procedure, and when nobody is
// needed and the daemon goes on without this terminal.
func (s *commissioning) show(p procedure.Picture, id string) (done bool, err error) {
	i := slices.IndexFunc(p.Runs, func(r procedure.Running) bool { return r.ID == id })
	if i < 0 {
		for _, rec := range p.Records {
			if rec.ID == id {
				if err := s.write(rec); err != nil {
					return true, err
				}
				if !rec.SignedOff || rec.Stopped != "" {
					return true, errors.New("the procedure is not signed off; the record says why")
				}
				return true, nil
			}
		}
		return true, errors.New("the procedure is not under way any more")
	}
	r := &p.Runs[i]
	if s.cmd.JSON {
		b, err := json.Marshal(r)
		if err != nil || string(b) == string(s.sent) {
			return false, err
		}
		s.sent = b
		if _, err := s.env.Stdout.Write(append(b, '\n')); err != nil {
			return true, err
		}
		return r.Now.Alone && !asked(&r.Now) && !s.alone, nil
	}
	n := &r.Now
	if step := fmt.Sprint(n.Step, n.Since, asked(n) || n.Answered); s.shown != step {
		s.shown, s.said = step, ""
		if r.Takes > 0 {
			s.say("\n%d/%d  %s   (about %s; %s left)", r.Index, r.Of, n.Title, procedure.Span(n.Expect), procedure.Span(r.Takes))
		} else {
			s.say("\n%d/%d  %s   (about %s; nobody is needed)", r.Index, r.Of, n.Title, procedure.Span(n.Expect))
		}
		for _, c := range n.Caution {
			s.say("  CAUTION  %s", c)
		}
		for _, d := range n.Do {
			s.say("  %s", d)
		}
		s.prompt(n)
	}
	if says := n.Verdict.Says; says != "" && s.settled(says) != s.said {
		s.said = s.settled(says)
		s.say("  %s  %s", mark(n.Verdict.State), says)
		if n.Verdict.State == procedure.Failed || n.Verdict.State == procedure.Undecided {
			for _, f := range n.Verdict.Lines {
				s.say("      %s", f)
			}
			s.say("  You can say: %s, quit.", strings.Join(s.withReason(n.Can), ", "))
		}
	}
	if n.Alone && !asked(n) && !s.alone {
		s.say("  Nobody is needed now. Come back with: bayledger commission %s", s.kind)
		return true, nil
	}
	return false, nil
}

// settled is a sentence without its figures: only a change of the rest is printed again, or a
// countdown would fill the screen.
func (s *commissioning) settled(words string) string {
	return strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r == '.' || r == '-' || r == '+' {
			return -1
		}
		return r
	}, words)
}

func (s *commissioning) withReason(can []string) []string {
	out := slices.Clone(can)
	for i, w := range out {
		if w == "skip" || w == "stop" {
			out[i] = s.voice.Say("%s REASON", w)
		}
	}
	return out
}

func mark(s procedure.State) string {
	switch s {
	case procedure.Passed:
		return "[ok]"
	case procedure.Failed:
		return "[NO]"
	case procedure.Undecided:
		return "[??]"
	}
	return "[..]"
}

// prompt says what is asked.
func (s *commissioning) prompt(n *procedure.Now) {
	a := n.Ask
	switch {
	case a == nil || !asked(n):
		s.say("  (the tool goes on by itself; say ? to see this again, skip REASON, stop REASON or quit)")
	case a.Kind == procedure.AskConfirm:
		s.say("  > %s: press Enter", a.Label)
	case a.Kind == procedure.AskChoice:
		for i, c := range a.Choices {
			s.say("    %d  %s", i+1, c.Label)
		}
		s.say("  > %s: type one", a.Label)
	default:
		s.say("  > %s%s: type it", a.Label, inUnit(a.Unit))
	}
}

func inUnit(u string) site.Phrase {
	if u == "" {
		return site.Phrase{}
	}
	return site.Say(" (%s)", u)
}

// readLines hands over what is typed, line by line, and closes the channel at its end. A read of a
// terminal cannot be interrupted, so its goroutine may outlive the sitting by one line; it then
// ends with the process, or with that line.
func readLines(ctx context.Context, r io.Reader) <-chan string {
	out := make(chan string)
	go func() {
		defer close(out)
		lines := bufio.NewScanner(r)
		for lines.Scan() {
			select {
			case out <- lines.Text():
			case <-ctx.Done():
				return
			}
		}
	}()
	return out
}
