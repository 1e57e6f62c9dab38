package site

// Standing is how a site's watch stands and what its bays' accounts say: the part of the MQTT
// status that stands in for a scrape where nobody can reach the site. Who publishes it and who
// reads it share this type. Lengths are mm, amounts litres; what is not known is absent.
type Standing struct {
	// DataTime is the data time up to which the watch has come, LastReading the time of the
	// newest good reading of any point.
	DataTime    Stamp `json:"data_time,omitzero"`
	LastReading Stamp `json:"last_reading,omitzero"`
	// ClockSure is true while somebody vouches for the machine's clock, JournalOK while the
	// journal takes samples, SiteFileRefused while an older site file than the newest is running.
	ClockSure       bool `json:"clock_sure"`
	JournalOK       bool `json:"journal_ok"`
	SiteFileRefused bool `json:"site_file_refused,omitempty"`
	SeasonClosed    bool `json:"season_closed,omitempty"`
	// Since the start: samples taken, without a usable value, and watched but not kept.
	Samples     int64         `json:"samples"`
	Bad         int64         `json:"samples_bad"`
	Unjournaled int64         `json:"samples_unjournaled"`
	Links       []LinkState   `json:"links,omitempty"`
	Units       []UnitState   `json:"units,omitempty"`
	Sinks       []SinkState   `json:"sinks,omitempty"`
	Accounts    []BayAccounts `json:"accounts,omitempty"`
	Work        []WorkState   `json:"work,omitempty"`
}

// WorkState is maintenance under way at a bay, or at the whole site, that keeps alarms quiet.
type WorkState struct {
	Bay   string `json:"bay,omitempty"`
	Until Stamp  `json:"until"`
}

// LinkState is one line to the field. Up is true while it can be used, OtherMaster while another
// master is heard on it.
type LinkState struct {
	Link        string `json:"link"`
	Up          bool   `json:"up"`
	OtherMaster bool   `json:"other_master,omitempty"`
}

// UnitState is one device on a line. The counts are since the start; ReplyMS holds the reply time
// over the last thousand requests by percentile ("50", "90", "99").
type UnitState struct {
	Link       string             `json:"link"`
	Unit       string             `json:"unit"`
	Up         bool               `json:"up"`
	Requests   int64              `json:"requests"`
	Timeouts   int64              `json:"timeouts,omitempty"`
	BadFrames  int64              `json:"bad_frames,omitempty"`
	Exceptions int64              `json:"exceptions,omitempty"`
	Missed     int64              `json:"missed_polls,omitempty"`
	ReplyMS    map[string]float64 `json:"reply_ms,omitempty"`
}

// SinkState is one historian or broker: what is not yet sent, and the age of the oldest of it.
type SinkState struct {
	Sink   string  `json:"sink"`
	Up     bool    `json:"up"`
	Behind int64   `json:"backlog_samples"`
	LagS   float64 `json:"backlog_age_s"`
}

// BayAccounts are the accounts of one bay: since local midnight, and of the newest closed local
// day. Settled is true while the chamber shows the bay's own level.
type BayAccounts struct {
	Bay       string   `json:"bay"`
	CrestMM   *float64 `json:"crest_mm,omitempty"`
	Settled   bool     `json:"settled"`
	Today     []Term   `json:"today,omitempty"`
	Yesterday []Term   `json:"yesterday,omitempty"`
}

// Term is one term of an account (metered, rain, evaporated and so on), UL its expanded
// uncertainty (k=2).
type Term struct {
	Term string   `json:"term"`
	L    float64  `json:"l"`
	UL   *float64 `json:"u_l,omitempty"`
}

// OpenAlarm is one entry of a site's list of open alarms: what was told last, and how it stands.
type OpenAlarm struct {
	Event
	// Acknowledged is true when somebody has taken it on.
	Acknowledged bool `json:"acknowledged,omitempty"`
	// Gone is true once the trouble is gone and only the alarm's delay runs.
	Gone bool `json:"gone,omitempty"`
	// Quiet says why it does not stand on its own: folded under a cause, shelved, muted.
	Quiet string `json:"quiet,omitempty"`
}
