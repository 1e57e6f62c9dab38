package sitefile

import (
	"fmt"
	"strings"
	"time"

	"bayledger/agent/notice"
	"bayledger/agent/site"
)

// Notice is the section about the daemon's own notices.
type Notice struct {
	Mail          *Mail         `yaml:"mail" doc:"How mail leaves, for the people who have a mail address."`
	People        []Person      `yaml:"people" required:"yes" doc:"Who is told: of urgent alarms at once, of the rest in the morning."`
	EscalateAfter time.Duration `yaml:"escalate_after" default:"15 min" min:"1 min" max:"12 h" doc:"How long an urgent alarm may go unanswered before those with when_unanswered are told."`
	Useful        time.Duration `yaml:"useful" default:"12 h" min:"1 h" max:"7 d" doc:"Age beyond which a notice an outage has delayed is no longer sent."`
	Morning       timeOfDay     `yaml:"morning" default:"06:30" doc:"When the line of the day goes out, on the site's clock: all is well, or what to look at."`
}

// Mail is how mail leaves.
type Mail struct {
	Server   string `yaml:"server" required:"yes" eg:"mail.example.org:465" doc:"Outgoing mail server, host:port. Always encrypted."`
	StartTLS bool   `yaml:"starttls" default:"no" doc:"Begin in the clear and turn to TLS before anything is said, as on port 587. Otherwise TLS from the first byte, as on port 465."`
	Username string `yaml:"username" eg:"watch@example.org" doc:"User at the server."`
	Password Secret `yaml:"password" eg:"file:/etc/bayledger/mail.password" doc:"Where the user's password is kept."`
	From     string `yaml:"from" required:"yes" eg:"watch@example.org" doc:"Sender."`
	CA       string `yaml:"ca" eg:"/etc/bayledger/club-ca.pem" doc:"Certificates the server's must lead to, in place of the system's."`
}

// Person is somebody who is told.
type Person struct {
	ID             string `yaml:"id" required:"yes" eg:"anna" doc:"Permanent id of the person: answers are on record under it."`
	Mail           string `yaml:"mail" eg:"anna@example.org" doc:"Mail address. Give this or webhook."`
	Webhook        Secret `yaml:"webhook" eg:"file:/etc/bayledger/anna.hook" doc:"Where the address of a webhook is kept, which is a secret as a rule: https, or http to this machine. It is posted JSON with key, sort, short (300 characters), long and the event."`
	Token          Secret `yaml:"token" eg:"file:/etc/bayledger/anna.token" doc:"Where the webhook's bearer token is kept."`
	WhenUnanswered bool   `yaml:"when_unanswered" default:"no" doc:"Told only of urgent alarms that nobody has answered."`
	OwnLine        bool   `yaml:"own_line" default:"no" doc:"The notice gets out while the club's internet is cut, as by a modem of its own."`
}

// timeOfDay is a moment of the local day, "06:30".
type timeOfDay struct{ site.DayTime }

func (t *timeOfDay) parse(text string) error {
	at, ok := dayTime(strings.TrimSpace(text))
	if !ok {
		return mistake{fmt.Sprintf("%q is not a time of day", clip(text)), `write it on a 24-hour clock, for example "06:30"`}
	}
	t.DayTime = at
	return nil
}

func (l *loader) notice() {
	f := l.file.Notice
	if f == nil {
		return
	}
	first := false
	ids := map[string]string{}
	for i, p := range f.People {
		path := fmt.Sprintf("notice.people[%d]", i)
		if line, twice := ids[p.ID]; twice && p.ID != "" {
			l.bad(path+".id", "give each person an id of their own", "the id %s is already used on line %d", p.ID, l.line(line))
		}
		ids[p.ID] = path + ".id"
		l.id(path+".id", p.ID, "a person")
		first = first || !p.WhenUnanswered
		to := notice.DefaultPerson()
		to.ID, to.Second, to.OwnLine = p.ID, p.WhenUnanswered, p.OwnLine
		to.EscalateAfter, to.Useful, to.Morning = f.EscalateAfter, f.Useful, f.Morning.DayTime
		byMail, byHook := l.has(path+".mail"), l.has(path+".webhook")
		switch {
		case byMail == byHook:
			l.bad(path, "give either mail or webhook", "a notice reaches a person on one way")
		case byMail:
			to.Route = l.mailTo(path, p)
		default:
			to.Route = notice.NewWebhook(p.ID, p.Webhook.reader(), p.Token.reader())
		}
		if !byHook && l.has(path+".token") {
			l.bad(path+".token", "leave the token out, or give the webhook it is for", "there is a token but no webhook")
		}
		l.cfg.People = append(l.cfg.People, to)
	}
	if len(f.People) > 0 && !first {
		l.bad("notice.people", "leave when_unanswered out for the one who is told first", "everybody waits for somebody else to answer, and nobody is told first")
	}
}

// mailTo is the way to a person's mailbox.
func (l *loader) mailTo(path string, p Person) *notice.Email {
	f := l.file.Notice.Mail
	if f == nil {
		l.bad(path+".mail", "add mail: with server and from under notice:", "nothing says how mail leaves")
		return nil
	}
	e := &notice.Email{Server: f.Server, StartTLS: f.StartTLS, Username: f.Username, Password: f.Password.reader(), From: f.From, To: p.Mail, CAFile: f.CA}
	for _, x := range e.Validate() {
		if x.Path == "to" {
			l.bad(path+".mail", x.Fix, "%s", x.What)
			continue
		}
		if at := "notice.mail." + x.Path; !l.said(at) {
			l.bad(at, x.Fix, "%s", x.What)
		}
	}
	return e
}
