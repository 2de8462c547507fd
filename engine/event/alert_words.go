package event

// What alerts are about. A rule is about one of the first five; the others are about rules.
const (
	AboutItem   = "item"
	AboutStock  = "stock"
	AboutReader = "reader"
	AboutCount  = "count"
	AboutZone   = "zone"
	AboutRule   = "rule"
	AboutStorm  = "storm"
)

// Subjects are what a rule can be about.
var Subjects = texts[string]("subject", []Word{
	{AboutItem, "one tagged thing"},
	{AboutStock, "the number of a product's items in a zone, or over all zones of a kind"},
	{AboutReader, "one read point"},
	{AboutCount, "a count that was closed"},
	{AboutZone, "what is in one zone"},
	{AboutRule, "a rule that failed while it ran"},
	{AboutStorm, "all that a rule raised beyond its limit"},
})

// RuleSubjects are those of Subjects that a rule can be about.
var RuleSubjects = texts[string]("rule subject", Subjects.words[:5])

// AlertStatus is where an alert stands: pending ▶ open ▶ acknowledged ▶ closed, with cleared when
// the condition ends by itself.
type AlertStatus uint8

// The statuses of an alert; AlertStatuses says what each means. The numbers are stored: add at the
// end, never renumber.
const (
	AlertPending      AlertStatus = 0
	AlertOpen         AlertStatus = 1
	AlertAcknowledged AlertStatus = 2
	AlertCleared      AlertStatus = 3
	AlertClosed       AlertStatus = 4
)

// AlertStatuses are the values of AlertStatus, with their texts and meanings.
var AlertStatuses = numbered[AlertStatus]("alert status", []Word{
	AlertPending:      {"pending", "the condition holds, but a stage of the rule holds the alert back; nobody sees it"},
	AlertOpen:         {"open", "the channels of the rule were notified"},
	AlertAcknowledged: {"acknowledged", "somebody has it in hand"},
	AlertCleared:      {"cleared", "the condition ended by itself; a person may still record an outcome"},
	AlertClosed:       {"closed", "a person closed it with an outcome"},
})

// String returns the text of a.
func (a AlertStatus) String() string { return AlertStatuses.Text(a) }

// MarshalText returns the text of a.
func (a AlertStatus) MarshalText() ([]byte, error) { return []byte(a.String()), nil }

// UnmarshalText sets a to the value with this text; the error names the texts that there are.
func (a *AlertStatus) UnmarshalText(b []byte) error { return AlertStatuses.unmarshal(b, a) }

// The changes of alerts; Changes says what each means.
const (
	ChangeOpened       = "alert.opened"
	ChangeGathered     = "alert.gathered"
	ChangeReminded     = "alert.reminded"
	ChangeEscalated    = "alert.escalated"
	ChangeAcknowledged = "alert.acknowledged"
	ChangeCleared      = "alert.cleared"
	ChangeClosed       = "alert.closed"
	ChangeCommented    = "alert.commented"
	ChangeCorrected    = "alert.corrected"
)

// Changes are the changes of alerts, which are the types of messages too.
var Changes = texts[string]("change", []Word{
	{ChangeOpened, "the first notification"},
	{ChangeGathered, "others joined it, and the time for that is over"},
	{ChangeReminded, "nobody acknowledged it, and its channels are notified again"},
	{ChangeEscalated, "nobody acknowledged it in time, and other channels are notified"},
	{ChangeAcknowledged, "somebody has it in hand"},
	{ChangeCleared, "its condition ended by itself"},
	{ChangeClosed, "a person closed it with an outcome"},
	{ChangeCommented, "a person wrote a comment; no channel is notified"},
	{ChangeCorrected, "a person gave another outcome to an alert that is closed"},
})

// What a person can do to an alert; Acts says what each means.
const (
	ActAcknowledge = "acknowledge"
	ActClose       = "close"
	ActComment     = "comment"
	ActCorrect     = "correct"
)

// Acts are what a person can do to an alert.
var Acts = texts[string]("act", []Word{
	{ActAcknowledge, "has it in hand"},
	{ActClose, "closes it with an outcome"},
	{ActComment, "writes a comment, and changes nothing else"},
	{ActCorrect, "gives another outcome to an alert that is closed"},
})

// The outcomes; Outcomes says what each means.
const (
	OutcomeGenuine = "genuine"
	OutcomeFalse   = "false"
	OutcomeUnclear = "unclear"
)

// Outcomes are the words with which a person closes an alert, so that each rule shows how often it
// was right.
var Outcomes = texts[string]("outcome", []Word{
	{OutcomeGenuine, "the rule was right"},
	{OutcomeFalse, "the rule was wrong"},
	{OutcomeUnclear, "nobody could say"},
})

// Stage is what holds an alert back whose condition is true.
type Stage uint8

// The stages in the order in which they are passed; Stages says what each means. StageNone:
// nothing, the alert is open. The numbers are stored: add at the end, never renumber.
const (
	StageNone   Stage = 0
	StageHold   Stage = 1
	StageQuiet  Stage = 2
	StageHours  Stage = 3
	StageNeeds  Stage = 4
	StageWithin Stage = 5 // comes before all others
)

// Stages are the values of Stage, with their texts and meanings.
var Stages = numbered[Stage]("stage", []Word{
	StageHold:   {"hold", "it is not true for long enough yet"},
	StageQuiet:  {"quiet", "somebody acknowledged or closed one about the same thing a short while ago"},
	StageHours:  {"hours", "the rule is outside its hours"},
	StageNeeds:  {"needs", "not enough have come together yet"},
	StageWithin: {"within", "the first step has happened, and the time for what comes then runs"},
})

// String returns the text of s.
func (s Stage) String() string { return Stages.Text(s) }

// MarshalText returns the text of s.
func (s Stage) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText sets s to the value with this text; the error names the texts that there are.
func (s *Stage) UnmarshalText(b []byte) error { return Stages.unmarshal(b, s) }

// Reason is why a rule has raised an alert about something, or why it has not.
type Reason string

// The reasons; Reasons says what each means.
const (
	ReasonRaised   Reason = "raised"
	ReasonGathered Reason = "gathered"
	ReasonLimit    Reason = "limit"
	ReasonFalse    Reason = "false"
	ReasonHold     Reason = "hold"
	ReasonQuiet    Reason = "quiet"
	ReasonHours    Reason = "hours"
	ReasonNeeds    Reason = "needs"
	ReasonFirst    Reason = "first"
	ReasonWithin   Reason = "within"
	ReasonOff      Reason = "off"
	ReasonFailed   Reason = "failed"
	ReasonOccasion Reason = "occasion"
)

// Reasons are the values of Reason, with their meanings.
var Reasons = texts[Reason]("reason", []Word{
	{string(ReasonRaised), "there is an alert, open or acknowledged"},
	{string(ReasonGathered), "it is part of another alert, which came just before"},
	{string(ReasonLimit), "it is part of the alert for all beyond the rule's limit"},
	{string(ReasonFalse), "the condition is false"},
	{string(ReasonHold), "it is not true for long enough yet"},
	{string(ReasonQuiet), "somebody acknowledged or closed one about the same thing a short while ago"},
	{string(ReasonHours), "the rule is outside its hours"},
	{string(ReasonNeeds), "not enough have come together"},
	{string(ReasonFirst), "the first step has not happened, or is too long ago"},
	{string(ReasonWithin), "the first step has happened, and the time for what comes then runs"},
	{string(ReasonOff), "the rule's mode is off"},
	{string(ReasonFailed), "the rule failed while it ran"},
	{string(ReasonOccasion), "the condition is true, and nothing has happened since that would make the rule look"},
})
