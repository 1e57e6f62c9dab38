package main

import (
	"strings"

	"bayledger/agent"
	"bayledger/agent/sitefile"
)

// checkTold says who hears of an alarm, on what way, and whether that way still works when the
// club's internet does not.
type checkTold struct {
	// By is "daemon" where the site file names people, else "prometheus".
	By     string        `json:"by"`
	People []checkPerson `json:"people,omitempty"`
	// Answers are the ways to answer that exist at this site.
	Answers []string `json:"answers"`
	// Cut says what is left with the club's internet cut; CutOff is true when nothing is.
	Cut    string `json:"internet_cut"`
	CutOff bool   `json:"cut_off"`
}

type checkPerson struct {
	ID             string `json:"id"`
	Way            string `json:"way"`
	WhenUnanswered bool   `json:"when_unanswered"`
	OwnLine        bool   `json:"own_line"`
}

func toldOf(cfg *sitefile.Config) checkTold {
	t := checkTold{By: "prometheus", Answers: agent.AnswerWays(cfg.Page), CutOff: true}
	var left []string
	for _, p := range cfg.People {
		t.By = "daemon"
		t.People = append(t.People, checkPerson{p.ID, p.Route.Name(), p.Second, p.OwnLine})
		if p.OwnLine {
			left, t.CutOff = append(left, p.ID), false
		}
	}
	switch {
	case !t.CutOff:
		t.Cut = "still told with the internet cut: " + strings.Join(left, ", ")
	case t.By == "daemon":
		t.Cut = "nobody is told with the internet cut; what happens then is sent when it is back, if that is still of use. A way with a modem of its own (own_line: yes) would reach somebody"
	default:
		t.Cut = "with the internet cut nobody is told what happens, only that this site is silent (the rule BayledgerDown). A person under notice: reached by a modem of its own (own_line: yes) would be"
	}
	return t
}

func (t checkTold) text(w *plainWriter) {
	w.line("")
	w.line("who is told")
	if t.By == "daemon" {
		var rows [][]string
		for _, p := range t.People {
			when := "urgent alarms at once, the rest in the morning"
			if p.WhenUnanswered {
				when = "what nobody has answered"
			}
			rows = append(rows, []string{"  " + p.ID, p.Way, when})
		}
		w.table(rows)
	} else {
		w.line("  the on-call people of Alertmanager, by the shipped rules; the site file names nobody")
	}
	w.line("  answered by %s", strings.Join(t.Answers, ", or "))
	w.line("  %s", t.Cut)
}
