package main

import (
	"errors"
	"fmt"
)

// backupCmd copies a journal while the daemon goes on.
type backupCmd struct {
	Config string `required:"" placeholder:"FILE" help:"Site file."`
	To     string `required:"" placeholder:"DIR" help:"Folder to make; it must not exist."`
}

// Run implements the command.
func (c *backupCmd) Run(env *environment) (err error) {
	j, _, err := readJournal(env.Ctx, c.Config)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	if err := j.Backup(env.Ctx, c.To); err != nil {
		return err
	}
	_, err = fmt.Fprintf(env.Stdout, "copied to %s; restore it with: bayledger restore --config %s --from %s\n", c.To, c.Config, c.To)
	return err
}
