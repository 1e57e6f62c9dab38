package words

import "strings"

// germanParts are the catalogue in German: what page, reports and notices say, and what the core
// does.
var germanParts = []map[string]string{german, germanWatch, germanAlarm, germanProcedure}

// germanForms are the forms of dates and times by the English ones.
var germanForms = map[string]string{
	"15:04":                    "15:04",
	"Mon 15:04":                "Mon 15:04",
	"2 Jan 15:04":              "2.1. 15:04",
	"2 Jan 2006 15:04":         "2.1.2006 15:04",
	"Mon 2 Jan 15:04":          "Mon 2.1. 15:04",
	"Mon 2 Jan":                "Mon 2.1.",
	"Mon 2 Jan 2006":           "Mon 2.1.2006",
	"2 Jan":                    "2.1.",
	"2 Jan 2006":               "2.1.2006",
	"2006-01-02 15:04 MST":     "2.1.2006 15:04 MST",
	"2006-01-02":               "2.1.2006",
	"2 January":                "2. January",
	"2 January 2006":           "2. January 2006",
	"Monday 2 January 2006":    "Monday, 2. January 2006",
	"2 January 2006 15:04 MST": "2. January 2006, 15:04 MST",
	"Mon":                      "Mon", "Jan": "Jan", "MST": "MST",
}

// germanNames puts Go's names of days, months and zones into German.
var germanNames = strings.NewReplacer(
	"Monday", "Montag", "Tuesday", "Dienstag", "Wednesday", "Mittwoch", "Thursday", "Donnerstag", "Friday", "Freitag", "Saturday", "Samstag", "Sunday", "Sonntag",
	"Mon", "Mo", "Tue", "Di", "Wed", "Mi", "Thu", "Do", "Fri", "Fr", "Sat", "Sa", "Sun", "So",
	"January", "Januar", "February", "Februar", "March", "März", "May", "Mai", "June", "Juni", "July", "Juli", "October", "Oktober", "December", "Dezember",
	"CEST", "MESZ", "CET", "MEZ")
