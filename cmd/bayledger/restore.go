package main

import (
	"errors"
	"fmt"
	"os"

	"bayledger/agent/sitefile"
	"bayledger/historian/journal"
)

// restoreCmd puts a backup in the place of a site's journal, which must be empty.
type restoreCmd struct {
	Config string `required:"" placeholder:"FILE" help:"Site file."`
	From   string `required:"" placeholder:"DIR" help:"Folder that backup made."`
}

// Run implements the command.
func (c *restoreCmd) Run(env *environment) (err error) {
	cfg, err := sitefile.LoadFile(c.Config)
	if err != nil {
		return badInput(err)
	}
	if _, err := os.Stat(cfg.Journal.Dir); err == nil {
		return badInput(fmt.Errorf("%s is there already; stop the daemon and move it away first", cfg.Journal.Dir))
	}
	o := journal.DefaultOptions(c.From)
	o.ReadOnly = true
	j, err := journal.Open(env.Ctx, o)
	if err != nil {
		return noJournal(err)
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	n := 0
	for violation := range j.Check(env.Ctx) {
		n++
		fmt.Fprintln(env.Stderr, violation)
	}
	if n > 0 {
		return fmt.Errorf("the backup in %s has %d violations and is not restored", c.From, n)
	}
	if err := j.Backup(env.Ctx, cfg.Journal.Dir); err != nil {
		return err
	}
	_, err = fmt.Fprintf(env.Stdout, "restored up to sample %d into %s\n", j.Last(), cfg.Journal.Dir)
	return err
}
