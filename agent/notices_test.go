package agent_test

import (
	"encoding/json"
	"io"
	"log/slog"
	"mime/quotedprintable"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"net/url"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent"
	"bayledger/agent/clock"
	"bayledger/agent/notice"
	"bayledger/agent/servertest"
	"bayledger/agent/site"
	"bayledger/drivers/virtual"
)

// calls collects what a webhook is posted.
type calls struct {
	mu  sync.Mutex
	got []struct{ Sort, Short, Long string }
}

func (c *calls) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	var in struct{ Sort, Short, Long string }
	if json.NewDecoder(r.Body).Decode(&in) == nil {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.got = append(c.got, in)
	}
}

func (c *calls) sorts() (out []string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, x := range c.got {
		out = append(out, x.Sort)
	}
	return out
}

// text is the body of a letter.
func text(t *testing.T, letter string) string {
	t.Helper()
	m, err := mail.ReadMessage(strings.NewReader(letter))
	require.NoError(t, err)
	b, err := io.ReadAll(quotedprintable.NewReader(m.Body))
	require.NoError(t, err)
	return strings.ReplaceAll(string(b), "\r\n", "\n")
}

var answerLink = regexp.MustCompile(`https://courts\.example\.net(/a/\S+?)[,\s]`)

// TestEndToEndNotices: a club that has nothing but a mailbox. A valve sticks before sunrise while
// the mail server is away: the page waits in the journal over a restart and arrives once, nobody
// answers it, the second is called, somebody opens the link, which changes nothing, and presses
// its button, which does; at 06:30 the line of the day says what to look at.
func TestEndToEndNotices(t *testing.T) {
	start := time.Date(2026, 7, 15, 3, 40, 0, 0, time.UTC) // 05:40 at the club
	c := virtual.Default()
	c.Start = start
	c.Faults = []virtual.Fault{{Kind: virtual.StuckOpen, Bay: "A2", From: start.Add(5 * time.Minute)}}
	f, err := virtual.New(c)
	require.NoError(t, err)
	clk := clock.NewStepped(start, nil)
	cfg := siteOf(t, c, serveField(t, f, clk, nil))
	cfg.Page.UsersFile = filepath.Join(t.TempDir(), "users")
	cfg.Page.URL = "https://courts.example.net"
	mails := servertest.Mail(t, servertest.MailOptions{})
	second := &calls{}
	hooks := httptest.NewServer(second)
	t.Cleanup(hooks.Close)
	anna, board := notice.DefaultPerson(), notice.DefaultPerson()
	anna.ID, anna.Route = "anna", &notice.Email{Server: mails.Addr, From: "watch@example.org", To: "anna@example.org", CAFile: mails.CAFile}
	board.ID, board.Second = "board", true
	board.Route = notice.NewWebhook("board", func() (string, error) { return hooks.URL, nil }, nil)
	cfg.People = []notice.Person{anna, board}

	play := clk.Work()
	defer func() { play() }()
	dir := t.TempDir()
	run := func() *agent.Agent {
		a, err := agent.New(t.Context(), agent.Options{Config: cfg, Dir: dir, Clock: clk, Log: slog.New(slog.DiscardHandler), CommitEvery: 10 * time.Second})
		require.NoError(t, err)
		require.NoError(t, a.Start())
		return a
	}
	at := func(d time.Duration) { require.NoError(t, clk.Wait(t.Context(), start.Add(d))) }
	open := func(a *agent.Agent) (raised time.Time) {
		for _, al := range a.View().Alarms {
			if al.Told && al.Now.Kind == site.ValveStuckOpen {
				raised = al.Asked
			}
		}
		return raised
	}

	mails.Down(true)
	a := run()
	minute := 5
	for ; open(a).IsZero() && minute < 25; minute++ {
		at(time.Duration(minute) * time.Minute)
	}
	raised := open(a).Sub(start)
	require.Positive(t, raised, "the stuck valve was not found by 06:05")
	at(raised + time.Minute)
	require.Empty(t, mails.Letters())
	require.NoError(t, a.Stop())
	a = run()
	t.Cleanup(func() { require.NoError(t, a.Stop()) })
	mails.Down(false)
	at(raised + 8*time.Minute) // longer than the longest pause between two tries
	require.Len(t, mails.Letters(), 1, "one fault, one page")
	require.Empty(t, second.sorts())
	page := text(t, mails.Letters()[0])
	t.Logf("the page:\n%s", page)
	require.Contains(t, page, "Shut the hand valve of bay A2")

	at(raised + 16*time.Minute)
	require.Equal(t, []string{"escalation"}, second.sorts(), "nobody has answered for a quarter of an hour")
	link := answerLink.FindStringSubmatch(second.got[0].Long + "\n")
	require.NotNil(t, link, second.got[0].Long)
	t.Logf("the second is told:\n%s", second.got[0].Short)
	require.LessOrEqual(t, len([]rune(second.got[0].Short)), 300)

	res, err := http.Get(a.URL() + link[1])
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	require.Equal(t, http.StatusOK, res.StatusCode)
	acked := func() (by string) {
		a.Core(func(c *agent.Core) {
			for _, al := range c.Desk.Open() {
				if al.Now.Kind == site.ValveStuckOpen {
					by = al.AckBy
				}
			}
		})
		return by
	}
	require.Empty(t, acked(), "mail scanners open links: that must change nothing")
	res, err = http.PostForm(a.URL()+link[1], url.Values{})
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	require.Equal(t, http.StatusOK, res.StatusCode)
	require.Equal(t, "board", acked())

	_, err = a.Record(t.Context(), site.Record{Kind: site.RecMaintenance, Bay: "B1", Who: "kim", Time: clk.Now(), Until: clk.Now().Add(4 * time.Hour), Value: site.Unknown(), Value2: site.Unknown()})
	require.NoError(t, err)
	at(51 * time.Minute) // 06:31
	letters := mails.Letters()
	require.Len(t, letters, 2)
	morning := text(t, letters[1])
	t.Logf("the line of the day:\n%s", morning)
	require.Contains(t, morning, "to look at this morning")
	require.Contains(t, morning, "Valve stuck open")
	require.Regexp(t, `Maintenance at bay B1 by kim until Wed \d\d:\d\d: nothing is told of it`, morning)
	require.Equal(t, []string{"escalation"}, second.sorts())
}
