package sitefile

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"regexp"
	"strconv"
	"strings"

	"bayledger/agent/site"
)

// Secret says where a secret is kept: a file or an environment variable. It never holds the
// secret itself, so that a site file can be journaled, shown and sent on. Everything that prints
// one prints a placeholder.
type Secret struct{ kind, name string }

const placeholder = "(secret)"

var envName = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)

func (s *Secret) parse(text string) error {
	kind, name, _ := strings.Cut(text, ":")
	switch {
	case kind == "file" && strings.HasPrefix(name, "/"):
	case kind == "file":
		return mistake{"the file of a secret needs its whole path", "write file:/etc/bayledger/secret with the path from the root"}
	case kind == "env" && envName.MatchString(name):
	case kind == "env":
		return mistake{"this is not the name of an environment variable", "write for example env:BAYLEDGER_TOKEN"}
	default:
		// The text may be the secret itself, so it is not repeated.
		return mistake{"a secret does not stand in the site file", "put it into a file that only the service can read and write file:/path, or env:NAME"}
	}
	*s = Secret{kind, name}
	return nil
}

// IsZero reports that no secret is named.
func (s Secret) IsZero() bool { return s.kind == "" }

// Where says where the secret is kept, for people.
func (s Secret) Where() string {
	switch s.kind {
	case "file":
		return "the file " + s.name
	case "env":
		return "the environment variable " + s.name
	}
	return "nowhere"
}

// Read returns the secret, without the line end a text editor leaves behind it. It is an error
// when the file or variable is not there or is empty.
func (s Secret) Read() (string, error) {
	var text string
	switch s.kind {
	case "":
		return "", nil
	case "file":
		b, err := os.ReadFile(s.name)
		if from, ours := beforeTheService(s.name); ours && errors.Is(err, fs.ErrNotExist) {
			b, err = os.ReadFile(from)
		}
		if err != nil {
			return "", fmt.Errorf("read secret: %w", err)
		}
		text = strings.TrimRight(string(b), "\r\n")
	case "env":
		text = os.Getenv(s.name)
	}
	if text == "" {
		return "", fmt.Errorf("read secret: %s is empty", s.Where())
	}
	return text, nil
}

// beforeTheService is where root finds a secret that systemd gives the service only while it runs:
// bayledger check --live is for before that.
func beforeTheService(name string) (from string, ours bool) {
	name, ours = strings.CutPrefix(name, "/run/credentials/bayledger.service/secrets_")
	return "/etc/bayledger/credentials/" + name, ours && !strings.Contains(name, "/")
}

// reader returns Read, or nil when no secret is named.
func (s Secret) reader() func() (string, error) {
	if s.IsZero() {
		return nil
	}
	return s.Read
}

func (s Secret) String() string               { return placeholder }
func (s Secret) GoString() string             { return placeholder }
func (s Secret) LogValue() slog.Value         { return slog.StringValue(placeholder) }
func (s Secret) MarshalJSON() ([]byte, error) { return []byte(`"` + placeholder + `"`), nil }
func (s Secret) MarshalText() ([]byte, error) { return []byte(placeholder), nil }

// window is a span of the local day, "07:00-19:00".
type window struct{ site.DayWindow }

func (w *window) parse(text string) error {
	from, to, ok := strings.Cut(strings.ReplaceAll(text, " ", ""), "-")
	a, okA := dayTime(from)
	b, okB := dayTime(to)
	if !ok || !okA || !okB {
		return mistake{fmt.Sprintf("%q is not a part of the day", clip(text)), `write from and to on a 24-hour clock, for example "22:00-06:00"`}
	}
	w.From, w.To = a, b
	return nil
}

// dayTime reads "07:00"; "24:00" is midnight.
func dayTime(text string) (site.DayTime, bool) {
	h, m, ok := strings.Cut(text, ":")
	hour, errH := strconv.Atoi(h)
	minute, errM := strconv.Atoi(m)
	if !ok || errH != nil || errM != nil || len(m) != 2 || len(h) > 2 || hour < 0 || minute < 0 || minute > 59 || hour > 24 || (hour == 24 && minute > 0) {
		return 0, false
	}
	return site.DayTime(hour%24*60 + minute), true
}

// register is an address as it travels in a Modbus request: the first register is 0.
type register struct {
	n     int
	given bool
	// decimal is true when it was written in decimal, where a manual's 4xxxx number may be meant.
	decimal bool
}

var hexNumber = regexp.MustCompile(`^0[xX][0-9A-Fa-f]{1,6}$`)

func (r *register) parse(text string) error {
	switch {
	case hexNumber.MatchString(text):
		n, err := strconv.ParseInt(text[2:], 16, 32)
		if err != nil || n > 65535 {
			return mistake{fmt.Sprintf("%s is beyond the last address", text), "addresses run from 0 to 0xFFFF"}
		}
		*r = register{n: int(n), given: true}
		return nil
	case wholeNumber.MatchString(text) && !strings.HasPrefix(text, "-") && len(text) <= 9:
		n, err := strconv.Atoi(text)
		if err != nil {
			return mistake{fmt.Sprintf("%s is beyond the last address", text), "addresses run from 0 to 65535"}
		}
		*r = register{n: n, given: true, decimal: true}
		return nil
	case len(text) > 1 && len(text) <= 9 && strings.Trim(text, "0123456789") == "" && text[0] == '0':
		bare := strings.TrimLeft(text, "0")
		if bare == "" {
			bare = "0"
		}
		if n, err := strconv.Atoi(bare); err == nil && len(text) >= 5 && n >= 1 {
			return mistake{fmt.Sprintf("%s has leading zeros; if it is a manual's 0xxxx number it means coil %d", text, n),
				fmt.Sprintf("addresses count from 0: write table: coil, address: %d for it, or address: %s if that is what travels", n-1, bare)}
		}
		return mistake{fmt.Sprintf("%s has a leading zero, which some programs read as octal", text), "write address: " + bare}
	}
	return mistake{fmt.Sprintf("%q is not a register address", clip(text)), "addresses run from 0 to 65535 and count from 0; 0x hexadecimal may be used"}
}
