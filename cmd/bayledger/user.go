package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"
	"time"

	"golang.org/x/term"

	"bayledger/agent/access"
	"bayledger/agent/sitefile"
)

// userCmd keeps the people who may log in to the page. It changes the users file; a running
// daemon notices by itself.
type userCmd struct {
	File   string `placeholder:"FILE" help:"The users file. Default: the one the site file names." xor:"file"`
	Config string `placeholder:"FILE" help:"The site file." xor:"file"`

	List     userListCmd     `cmd:"" help:"Who may do what."`
	Invite   userInviteCmd   `cmd:"" help:"Make an invitation: it lets one person choose a name and a password on the page, once, within a day."`
	Add      userAddCmd      `cmd:"" help:"Add a person; the password is asked for, or read from standard input."`
	Password userPasswordCmd `cmd:"" help:"Give a person another password, which ends their sessions."`
	Remove   userRemoveCmd   `cmd:"" help:"Remove a person or a program."`
	Token    userTokenCmd    `cmd:"" help:"Let a program read (Authorization: Bearer ...); the token is printed once."`
}

// store opens the users file the flags name.
func (c *userCmd) store() (*access.Store, error) {
	path := c.File
	if path == "" && c.Config == "" {
		return nil, badInput(errors.New("name the users file with --file, or the site file with --config"))
	}
	if path == "" {
		cfg, err := sitefile.LoadFile(c.Config)
		if err != nil {
			return nil, badInput(err)
		}
		if path = cfg.Page.UsersFile; path == "" {
			return nil, badInput(fmt.Errorf("%s names no users file; write users_file: /var/lib/bayledger/users under page: or name one with --file", c.Config))
		}
	}
	return access.Open(path, true, time.Now)
}

// asInput marks what the user can put right.
func asInput(err error) error {
	if _, ok := errors.AsType[*access.InputError](err); ok || errors.Is(err, access.ErrExists) || errors.Is(err, access.ErrUnknown) {
		return badInput(err)
	}
	return err
}

type userListCmd struct{}

// Run implements the command.
func (*userListCmd) Run(env *environment, c *userCmd) error {
	st, err := c.store()
	if err != nil {
		return err
	}
	users, err := st.Users()
	if err != nil {
		return err
	}
	w := tabwriter.NewWriter(env.Stdout, 0, 0, 2, ' ', 0)
	for _, u := range users {
		kind := "person"
		if u.Token {
			kind = "program"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", u.Name, u.Role, kind, u.Made.Format(time.DateOnly))
	}
	return w.Flush()
}

type userInviteCmd struct {
	Role access.Role `enum:"keeper,reader" default:"keeper" help:"What the person may do: keeper or reader."`
}

// Run implements the command.
func (u *userInviteCmd) Run(env *environment, c *userCmd) error {
	st, err := c.store()
	if err != nil {
		return err
	}
	token, err := st.Invite(u.Role)
	if err != nil {
		return asInput(err)
	}
	fmt.Fprintf(env.Stderr, "good once, for %.0f h, at the page's /join:\n", access.InviteFor.Hours())
	_, err = fmt.Fprintln(env.Stdout, token)
	return err
}

type userAddCmd struct {
	Name string      `arg:"" help:"The person's name."`
	Role access.Role `enum:"keeper,reader" default:"keeper" help:"What the person may do: keeper or reader."`
}

// Run implements the command.
func (u *userAddCmd) Run(env *environment, c *userCmd) error {
	st, password, err := c.storeAndPassword(env)
	if err != nil {
		return err
	}
	return asInput(st.Add(u.Name, u.Role, password))
}

type userPasswordCmd struct {
	Name string `arg:"" help:"The person's name."`
}

// Run implements the command.
func (u *userPasswordCmd) Run(env *environment, c *userCmd) error {
	st, password, err := c.storeAndPassword(env)
	if err != nil {
		return err
	}
	return asInput(st.SetPassword(u.Name, password))
}

type userRemoveCmd struct {
	Name string `arg:"" help:"The name."`
}

// Run implements the command.
func (u *userRemoveCmd) Run(_ *environment, c *userCmd) error {
	st, err := c.store()
	if err != nil {
		return err
	}
	return asInput(st.Remove(u.Name))
}

type userTokenCmd struct {
	Name string `arg:"" help:"The program's name."`
}

// Run implements the command.
func (u *userTokenCmd) Run(env *environment, c *userCmd) error {
	st, err := c.store()
	if err != nil {
		return err
	}
	token, err := st.AddToken(u.Name)
	if err != nil {
		return asInput(err)
	}
	_, err = fmt.Fprintln(env.Stdout, token)
	return err
}

// storeAndPassword opens the users' file before the password is asked for: nobody types one in vain.
func (c *userCmd) storeAndPassword(env *environment) (*access.Store, string, error) {
	st, err := c.store()
	if err != nil {
		return nil, "", err
	}
	password, err := askPassword(env)
	return st, password, err
}

// askPassword reads a password: twice without showing it on a terminal, else one line. It never
// comes as an argument, which everybody on the machine could see.
func askPassword(env *environment) (string, error) {
	if f, ok := env.Stdin.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		var typed [2]string
		for i, ask := range []string{"Password: ", "Again: "} {
			fmt.Fprint(env.Stderr, ask)
			b, err := term.ReadPassword(int(f.Fd()))
			fmt.Fprintln(env.Stderr)
			if err != nil {
				return "", fmt.Errorf("read the password: %w", err)
			}
			typed[i] = string(b)
		}
		if typed[0] != typed[1] {
			return "", badInput(errors.New("the two passwords differ"))
		}
		return typed[0], nil
	}
	line, err := bufio.NewReader(io.LimitReader(env.Stdin, 4096)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("read the password: %w", err)
	}
	return strings.TrimRight(line, "\r\n"), nil
}
