package site

import "time"

// Kind is a kind of trouble the watch can name.
type Kind string

// The kinds. What each says, when it ends and what it explains stands in Kinds.
const (
	ValveStuckOpen     Kind = "valve-stuck-open"
	ValveStuckClosed   Kind = "valve-stuck-closed"
	ValveWeeping       Kind = "valve-weeping"
	LowFlow            Kind = "low-flow"
	NoSupply           Kind = "no-supply"
	PressureOutOfBand  Kind = "pressure-out-of-band"
	Leak               Kind = "leak"
	SupplyLineLeak     Kind = "supply-line-leak"
	UnexplainedLoss    Kind = "unexplained-loss"
	SeepageBetweenBays Kind = "seepage-between-bays"
	Overfill           Kind = "overfill"
	Overflowing        Kind = "overflowing"
	OverflowFault      Kind = "overflow-fault"
	Drying             Kind = "drying"
	SlowChamber        Kind = "slow-chamber"
	LevelSensorFault   Kind = "level-sensor-fault"
	MeterFault         Kind = "meter-fault"
	MainMeterFault     Kind = "main-meter-fault"
	WiringMismatch     Kind = "wiring-mismatch"
	FreezeRisk         Kind = "freeze-risk"
	NoData             Kind = "no-data"
	LinkDown           Kind = "link-down"
	ClockUnsure        Kind = "clock-unsure"
	JournalFault       Kind = "journal-fault"
	DiskFull           Kind = "disk-full"
	SinkUnreachable    Kind = "sink-unreachable"
	IsolationClosed    Kind = "isolation-closed"
)

// SeverityRule says how the severity of a kind is found.
type SeverityRule uint8

const (
	// ByWater: urgent only if, before people next look, the overflow would run, a surface go
	// soft or 500 L be gone, and a person can act now; else warning.
	ByWater SeverityRule = iota
	// ByFrost: urgent if a pipe would, very likely, freeze before people next look, else warning; info
	// while it is no more than possible, or nobody can say when.
	ByFrost
	// Morning: warning, whatever happens; the watch's own troubles are of this sort.
	Morning
	// LogOnly: info.
	LogOnly
)

// Reach says which alarms of a kind in Explains are folded under a cause.
type Reach uint8

const (
	// SameBay folds effects on the cause's own bay.
	SameBay Reach = iota
	// AllBays folds effects on every bay of the site.
	AllBays
	// Named folds effects on every bay in the cause's Bays.
	Named
	// SameSubject folds effects that rest on the cause's subject: the point itself, or what is
	// read through the unit or link.
	SameSubject
)

// Explains is one arrow from a cause to an effect it accounts for.
type Explains struct {
	Kind  Kind
	Reach Reach
}

// KindInfo is one row of the table of kinds: the rationalisation of an alarm in the sense of
// ANSI/ISA-18.2 clause 8 (consequence, time to respond, response), as data.
type KindInfo struct {
	Kind Kind
	// Title is the kind in two or three words, Says what is the matter, Ends when it is over.
	Title, Says, Ends string
	// Consequence is what happens when nobody acts.
	Consequence string
	// Suffers is what has come about when a finding's ToSoft is over; empty means that the surface
	// is soft.
	Suffers  string
	Severity SeverityRule
	// OnDelay is how long the finding must hold before it is told, OffDelay how long it must be
	// gone before the alarm clears. The watch's own evidence comes first; these only keep a
	// finding that flickers from being told twice.
	OnDelay, OffDelay time.Duration
	// Settles is true for what is judged by the level of the bay: it is not over before it has been
	// gone for as long as the bay's chamber takes to settle, for a fill lifts the chamber first.
	Settles bool
	// Respond is how long people have, as a rule, before the consequence has come: what a finding
	// says of its own time left is nearer the truth.
	Respond time.Duration
	// FirstAction and DoNot are said to whoever is woken. {bay} and {shut-off} are filled in.
	FirstAction, DoNot string
	// DoNotShort is DoNot in the words there is room for on a telephone; empty where DoNot is short.
	DoNotShort string
	// Owner is who is expected to act.
	Owner    string
	Explains []Explains
	// FalseReadings is true when the cause makes readings untrue: what it explains is then not
	// water, and lends the cause neither its time left nor its severity.
	FalseReadings bool
	// AllYear is true for what can still hurt when the season is closed and the bays are drained.
	AllYear bool
}

// Delay replaces the delays of a kind at one bay. A negative duration keeps the table's.
type Delay struct{ On, Off time.Duration }

// Kinds is the table of kinds, in the order in which causes are looked for: what explains more
// comes before what it explains.
var Kinds = []KindInfo{
	{
		Kind: IsolationClosed, Title: "Main shut by the watch",
		Says: "the daemon shut the main isolation valve", Ends: "a person opens it again",
		Consequence: "no bay is fed until it is opened", Suffers: "the surface is dust", AllYear: true, Severity: Morning,
		Respond:     12 * time.Hour,
		FirstAction: "Read the alarm that closed it and walk the court; then open the main by hand.",
		DoNot:       "Do not open it from a distance.", Owner: "on call",
		Explains: []Explains{{NoSupply, AllBays}, {Drying, AllBays}},
	},
	{
		Kind: LinkDown, Title: "Line silent",
		Says: "nothing answers on a line to the field", Ends: "the line answers again",
		Consequence: "the bays behind it are not watched", FalseReadings: true, Severity: Morning, OnDelay: 2 * time.Minute, OffDelay: time.Minute,
		Respond:     12 * time.Hour,
		FirstAction: "Check the power and the cable of the converter or gateway named here.",
		DoNot:       "Leave mains wiring to an electrician.", Owner: "integrator",
		Explains: []Explains{{NoData, SameSubject}},
	},
	{
		Kind: NoData, Title: "No reading",
		Says: "a point or a unit has not given a good reading", Ends: "good readings are back",
		Consequence: "what rests on the reading is not watched", FalseReadings: true, Severity: Morning, OnDelay: 0, OffDelay: time.Minute,
		Respond:     12 * time.Hour,
		FirstAction: "Check the unit's power and its cable; look at the bay yourself this morning.",
		DoNot:       "Leave mains wiring to an electrician.", Owner: "integrator",
	},
	{
		Kind: WiringMismatch, Title: "Points mixed up",
		Says: "a point follows another bay's water", Ends: "the wiring or the site file is put right",
		Consequence: "every figure of both bays is wrong", FalseReadings: true, Severity: Morning,
		Respond:     24 * time.Hour,
		FirstAction: "Run the wiring proof on both bays; then correct the site file or the terminals.",
		DoNot:       "Do not touch a terminal with the power on.", Owner: "integrator",
		Explains: []Explains{{Overfill, Named}, {Drying, Named}, {Leak, Named}, {UnexplainedLoss, Named}, {MeterFault, Named}, {LevelSensorFault, Named}, {ValveStuckOpen, Named}, {ValveStuckClosed, Named},
			{ValveWeeping, Named}, {SeepageBetweenBays, Named}, {OverflowFault, Named}, {LowFlow, Named}, {Overflowing, Named}, {SlowChamber, Named}},
	},
	{
		Kind: LevelSensorFault, Title: "Level sensor fault",
		Says: "the level reading cannot be true", Ends: "it has been good for an hour, or the sensor is replaced",
		Consequence: "the controller may flood or starve the bay on a false reading", FalseReadings: true, Severity: ByWater, OffDelay: time.Hour,
		Respond:     4 * time.Hour,
		FirstAction: "Dip the chamber of bay {bay} by hand; if sensor and dip differ, put the bay on manual and hold it by the dip.",
		DoNot:       "Do not trust the level shown for this bay.",
		DoNotShort:  "Do not trust the level shown.", Owner: "groundskeeper",
		Explains: []Explains{{Overfill, SameBay}, {Overflowing, SameBay}, {Drying, SameBay}, {Leak, SameBay}, {UnexplainedLoss, SameBay}, {SlowChamber, SameBay}, {OverflowFault, SameBay}, {ValveWeeping, SameBay}},
	},
	{
		Kind: NoSupply, Title: "No water supply",
		Says: "no bay that asks gets water, or the pressure is gone", Ends: "flow or pressure is back",
		Consequence: "the bays dry out from the top", Suffers: "the surface is dust", Severity: ByWater, OnDelay: time.Minute, OffDelay: 5 * time.Minute,
		Respond:     12 * time.Hour,
		FirstAction: "Check the main valve, the backflow preventer and the strainer; ask the supplier whether the water is off.",
		DoNot:       "Do not take the backflow preventer apart: that is for a licensed trade.",
		DoNotShort:  "Backflow preventer: licensed trade only.", Owner: "groundskeeper",
		Explains: []Explains{{ValveStuckClosed, AllBays}, {Drying, AllBays}, {LowFlow, AllBays}, {PressureOutOfBand, AllBays}},
	},
	{
		Kind: MainMeterFault, Title: "Main meter fault",
		Says: "the main meter disagrees with the bays' meters in a way no leak explains", Ends: "it agrees again or is replaced",
		Consequence: "leaks in the supply line cannot be seen", FalseReadings: true, Severity: Morning, OffDelay: time.Hour,
		Respond:     7 * 24 * time.Hour,
		FirstAction: "Read the main meter's dial and compare it with what the page shows.", Owner: "integrator",
		Explains: []Explains{{SupplyLineLeak, AllBays}},
	},
	{
		Kind: SupplyLineLeak, Title: "Supply line leak",
		Says: "the main meter runs more than the bays' meters while the valves are shut", Ends: "main and bay meters agree again",
		Consequence: "water is lost before it reaches a bay", AllYear: true, Severity: ByWater, OffDelay: 30 * time.Minute,
		Respond:     6 * time.Hour,
		FirstAction: "Shut the main at {shut-off} and see whether the main meter stops; then look for wet ground along the line.",
		DoNot:       "Do not dig before you know which cables and pipes lie there.",
		DoNotShort:  "Ask for cables before digging.", Owner: "groundskeeper",
	},
	{
		Kind: MeterFault, Title: "Flow meter fault",
		Says: "the bay's meter is dead, creeps or registers wrongly", Ends: "it agrees again or is replaced",
		Consequence: "the bay's water is not counted", FalseReadings: true, Severity: Morning, OffDelay: time.Hour,
		Respond:     7 * 24 * time.Hour,
		FirstAction: "Open the valve of bay {bay} by hand for a minute and watch the meter's register.",
		DoNot:       "Do not leave the valve open.", Owner: "integrator",
		Explains: []Explains{{Leak, SameBay}, {UnexplainedLoss, SameBay}, {ValveStuckClosed, SameBay}, {LowFlow, SameBay}},
	},
	{
		Kind: ValveStuckOpen, Title: "Valve stuck open",
		Says: "water runs into the bay although the valve should be shut", Ends: "the meter has stood still for two pulses' time",
		Consequence: "the bay fills to its overflow and the surface goes soft", AllYear: true, Severity: ByWater, OffDelay: time.Minute,
		Respond:     15 * time.Minute,
		FirstAction: "Shut the hand valve of bay {bay}, or the main at {shut-off}.",
		DoNot:       "Do not open the cabinet with wet hands or standing in water; leave mains wiring to an electrician.",
		DoNotShort:  "Cabinet: dry hands only.", Owner: "on call",
		Explains: []Explains{{Overfill, SameBay}, {Overflowing, SameBay}},
	},
	{
		Kind: ValveStuckClosed, Title: "Valve stuck shut",
		Says: "the bay asks for water and gets none although there is pressure", Ends: "flow is seen",
		Consequence: "the bay dries out from the top", Suffers: "the surface is dust", Severity: ByWater, OnDelay: 0, OffDelay: time.Minute,
		Respond:     12 * time.Hour,
		FirstAction: "Open the hand bleed of the valve of bay {bay}; if water comes, check the solenoid and its wire.",
		DoNot:       "Switch the controller off before you touch a wire; leave mains wiring to an electrician.",
		DoNotShort:  "Controller off before touching wires.", Owner: "groundskeeper",
		Explains: []Explains{{Drying, SameBay}, {LowFlow, SameBay}},
	},
	{
		Kind: SeepageBetweenBays, Title: "Seepage between bays",
		Says: "what one bay loses its neighbour gains", Ends: "both accounts close again",
		Consequence: "the two bays cannot be held at different levels", Severity: ByWater,
		Respond:     7 * 24 * time.Hour,
		FirstAction: "Set both bays to the same level for a day; if both then hold, the edge between them lets water through.", Owner: "groundskeeper",
		Explains: []Explains{{Drying, Named}, {Overfill, Named}, {Leak, Named}, {ValveWeeping, Named}, {UnexplainedLoss, Named}},
	},
	{
		Kind: ValveWeeping, Title: "Valve weeping",
		Says: "water arrives with the valve shut, too slowly for the meter", Ends: "a clean settled night",
		Consequence: "the bay creeps up and the court plays soft", Severity: ByWater, OffDelay: 0,
		Respond:     24 * time.Hour,
		FirstAction: "Shut the hand valve of bay {bay} overnight; if the level stops rising, clean or change the valve's diaphragm.",
		DoNot:       "Do not take the valve apart before its water is shut off and the pressure let out.",
		DoNotShort:  "Never take a valve apart under pressure.", Owner: "groundskeeper",
		Explains: []Explains{{Overfill, SameBay}, {Overflowing, SameBay}},
	},
	{
		Kind: OverflowFault, Title: "Overflow fault",
		Says: "the overflow is blocked, or drains below its crest", Ends: "it behaves again",
		Consequence: "blocked, the next overfill floods the surface; displaced, water runs off unmetered", Severity: ByWater, OffDelay: time.Hour,
		Respond:     30 * time.Minute,
		FirstAction: "See that the overflow of bay {bay} is clear and its crest where it was set.",
		DoNot:       "Keep away from anything electric that stands in water.",
		DoNotShort:  "Keep off electrics in water.", Owner: "groundskeeper",
		Explains: []Explains{{Overfill, SameBay}, {Overflowing, SameBay}, {Leak, SameBay}, {UnexplainedLoss, SameBay}},
	},
	{
		Kind: Leak, Title: "Leak",
		Says: "water leaves the bay that weather and level do not explain", Ends: "the account has closed for as long as the leak took to see",
		Consequence: "water runs to waste and the bay may not hold its level", Severity: ByWater,
		Respond:     24 * time.Hour,
		FirstAction: "Check the overflow and drain of bay {bay} first; then shut the hand valve overnight and see whether the level still falls.", Owner: "groundskeeper",
		Explains: []Explains{{Drying, SameBay}, {UnexplainedLoss, SameBay}},
	},
	{
		Kind: UnexplainedLoss, Title: "Unexplained loss",
		Says: "the account does not close, and the evidence cannot name liner, overflow, meter or sensor", Ends: "the cause is named or the account closes",
		Consequence: "water or readings are being lost", Severity: ByWater,
		Respond:     24 * time.Hour,
		FirstAction: "Dip the chamber of bay {bay}, look at the overflow, and read the meter by hand.", Owner: "groundskeeper",
		Explains: []Explains{{Drying, SameBay}},
	},
	{
		Kind: LowFlow, Title: "Low flow",
		Says: "fills run much slower than this bay's habit", Ends: "its habit is regained",
		Consequence: "fills take longer than the controller allows for", Suffers: "the surface is dust", Severity: Morning,
		Respond:     24 * time.Hour,
		FirstAction: "Clean the strainer and check the pressure regulator.",
		DoNot:       "Do not open the strainer under pressure: shut its water off first.",
		DoNotShort:  "Do not open a strainer under pressure.", Owner: "groundskeeper",
		Explains: []Explains{{Drying, SameBay}},
	},
	{
		Kind: PressureOutOfBand, Title: "Supply pressure out of band",
		Says: "the supply pressure is outside the site's band", Ends: "it is back in the band",
		Consequence: "too high harms valves and fittings, too low starves the bays", Severity: Morning, OnDelay: 2 * time.Minute, OffDelay: 5 * time.Minute,
		Respond:     12 * time.Hour,
		FirstAction: "Read the gauge after the regulator and turn the regulator back into the band.",
		DoNot:       "Do not loosen a fitting that may be under pressure.",
		DoNotShort:  "Do not loosen a fitting under pressure.", Owner: "groundskeeper",
	},
	{
		Kind: SlowChamber, Title: "Chamber slow",
		Says: "the chamber settles much more slowly than this bay's habit", Ends: "its habit is regained",
		Consequence: "the sensor shows yesterday's level and the controller overshoots", FalseReadings: true, Severity: Morning, OffDelay: time.Hour,
		Respond:     7 * 24 * time.Hour,
		FirstAction: "Rinse the chamber of bay {bay} and the pipe that joins it to the bay.",
		DoNot:       "Do not blow the pipe out with compressed air.", Owner: "groundskeeper",
		// Not that it overflows: a chamber that is late shows a rising level too low, never too high.
		Explains: []Explains{{Overfill, SameBay}, {Drying, SameBay}},
	},
	{
		Kind: Overflowing, Title: "Overflow running",
		Says: "water stands at or over the overflow's crest", Ends: "the level is below the crest, or no metered water stands there any more",
		Consequence: "water runs to waste; if the overflow cannot carry it the surface floods", Severity: ByWater, OnDelay: time.Minute, OffDelay: 5 * time.Minute,
		Respond:     30 * time.Minute,
		FirstAction: "If the valve of bay {bay} runs, shut its hand valve.",
		DoNot:       "Keep away from anything electric that stands in water.",
		DoNotShort:  "Keep off electrics in water.", Owner: "on call",
		Explains: []Explains{{Overfill, SameBay}},
	},
	{
		Kind: Overfill, Title: "Overfilled",
		Says: "the level stands above its band and stays or rises", Ends: "the level has settled back in its band",
		Consequence: "the surface goes soft", Severity: ByWater, OffDelay: 10 * time.Minute, Settles: true,
		Respond:     30 * time.Minute,
		FirstAction: "See that the valve of bay {bay} is shut and no hose runs; check the set point.",
		DoNot:       "Do not let the court be rolled or played while it is soft.",
		DoNotShort:  "No rolling or play while soft.", Owner: "on call",
	},
	{
		Kind: Drying, Title: "Drying out",
		Says: "the level has fallen below its band and will not recover by itself", Ends: "the level is back in its band",
		Consequence: "the surface turns to dust", Suffers: "the surface is dust", Severity: ByWater, OffDelay: 10 * time.Minute, Settles: true,
		Respond:     6 * time.Hour,
		FirstAction: "Check that the controller calls for water at bay {bay} and that the hand valve is open.", Owner: "groundskeeper",
	},
	{
		Kind: FreezeRisk, Title: "Frost ahead",
		Says: "a chamber or pipe that holds water will freeze", Ends: "it is thawed or drained",
		Consequence: "valves, meters and sensors burst", Suffers: "it freezes", AllYear: true, Severity: ByFrost, OffDelay: time.Hour,
		Respond:     3 * time.Hour,
		FirstAction: "Drain the supply line and the chambers, or keep them covered and warm tonight.",
		DoNot:       "Do not thaw pipes with a flame.", Owner: "groundskeeper",
	},
	{
		Kind: ClockUnsure, Title: "Clock not trusted",
		Says: "nothing vouches for this machine's clock", Ends: "the clock is synchronised",
		Consequence: "readings are kept and dated later", AllYear: true, Severity: Morning, OnDelay: 10 * time.Minute,
		Respond:     24 * time.Hour,
		FirstAction: "Give the machine its network back, or set a time server.", Owner: "ops",
	},
	{
		Kind: JournalFault, Title: "Journal fault",
		Says: "the journal cannot keep what is read", Ends: "it keeps readings again",
		Consequence: "readings are shown and watched but not kept", AllYear: true, Severity: Morning,
		Respond:     12 * time.Hour,
		FirstAction: "Look at the storage of the machine; keep the set-aside file for recovery.",
		DoNot:       "Do not delete or mend its files by hand.", Owner: "ops",
	},
	{
		Kind: DiskFull, Title: "Disk full",
		Says: "the journal's disk is full", Ends: "there is room again",
		Consequence: "the oldest forwarded history is dropped", AllYear: true, Severity: Morning,
		Respond:     24 * time.Hour,
		FirstAction: "Free space on the machine's storage or mend the historian that is not taking data.",
		DoNot:       "Do not delete the journal's own files.", Owner: "ops",
	},
	{
		Kind: SinkUnreachable, Title: "Historian or broker away",
		Says: "a historian or broker does not take data", Ends: "it takes data again",
		Consequence: "history is kept here and sent later", AllYear: true, Severity: Morning, OnDelay: 15 * time.Minute,
		Respond:     7 * 24 * time.Hour,
		FirstAction: "Check the network here, then the address and the access in the site file.", Owner: "ops",
	},
}

// Info returns the row of a kind; ok is false for a kind that is not in the table.
func (k Kind) Info() (info KindInfo, ok bool) {
	for _, i := range Kinds {
		if i.Kind == k {
			return i, true
		}
	}
	return KindInfo{}, false
}

// SoftWords says what has come about when a finding's ToSoft is over.
func (i KindInfo) SoftWords() string {
	if i.Suffers == "" {
		return "the surface is soft"
	}
	return i.Suffers
}

// Stops reports whether shutting the supply by hand would stop what the kind does.
func (i KindInfo) Stops() bool {
	return (i.Severity == ByWater || i.Severity == ByFrost) && i.Suffers != "the surface is dust"
}
