package api

// Every action may carry an id of the caller's making, here or in the header Idempotency-Key: the same action sent twice
// with one id is done once.

// Refill says that the reservoir is full again, or holds so many liters.
type Refill struct {
	ID      string  `json:"id,omitempty" doc:"of the caller's making; the same action twice is done once"`
	Liters  float64 `json:"liters,omitempty" doc:"absent or 0: full"`
	Cleaned bool    `json:"cleaned,omitempty" doc:"the reservoir was cleaned before it was filled"`
	Note    string  `json:"note,omitempty"`
}

// HandSet puts a plug under a person's hand for a while, or gives it back.
type HandSet struct {
	ID   string   `json:"id,omitempty" doc:"of the caller's making; the same action twice is done once"`
	Plug string   `json:"plug" doc:"a plug's name or role"`
	Hand string   `json:"hand" doc:"on, off or auto"`
	For  Duration `json:"for,omitempty" doc:"needed with on and off"`
	Note string   `json:"note,omitempty"`
}

// BatchAdd puts a batch into a chamber.
type BatchAdd struct {
	ID          string  `json:"id,omitempty" doc:"of the caller's making; the same action twice is done once"`
	Batch       string  `json:"batch" doc:"unique at the site: a-z, 0-9, hyphen"`
	Species     string  `json:"species" doc:"binomial, such as pleurotus-ostreatus"`
	Strain      string  `json:"strain,omitempty"`
	SubstrateKg float64 `json:"substrate_kg" doc:"wet"`
	DryKg       float64 `json:"dry_kg"`
	Stage       string  `json:"stage,omitempty" doc:"colonization (when absent), pinning, fruiting or rest"`
	Supplements string  `json:"supplements,omitempty" doc:"to the substrate"`
	Position    string  `json:"position,omitempty" doc:"where in the chamber"`
	Inoculated  string  `json:"inoculated,omitempty" doc:"a past moment"`
	At          string  `json:"at,omitempty" doc:"a past moment; absent: now"`
	Note        string  `json:"note,omitempty"`
}

// StageSet moves a batch to a stage.
type StageSet struct {
	ID    string `json:"id,omitempty" doc:"of the caller's making; the same action twice is done once"`
	Stage string `json:"stage" doc:"colonization, pinning, fruiting or rest"`
	At    string `json:"at,omitempty" doc:"a past moment; absent: now"`
	Note  string `json:"note,omitempty"`
}

// Harvest records a weighing.
type Harvest struct {
	ID     string   `json:"id,omitempty" doc:"of the caller's making; the same action twice is done once"`
	FreshG float64  `json:"fresh_g" doc:"grams, fresh"`
	Done   bool     `json:"done,omitempty" doc:"the flush is picked: close it and rest"`
	Marks  []string `json:"marks,omitempty" doc:"of quality: first, second, or a sign such as long-stems"`
	Photos []string `json:"photos,omitempty" doc:"paths or addresses"`
	At     string   `json:"at,omitempty" doc:"a past moment; absent: now"`
	Note   string   `json:"note,omitempty"`
}

// Retire takes a batch out of its chamber.
type Retire struct {
	ID   string `json:"id,omitempty" doc:"of the caller's making; the same action twice is done once"`
	At   string `json:"at,omitempty" doc:"a past moment; absent: now"`
	Note string `json:"note,omitempty"`
}

// Ack acknowledges an alarm.
type Ack struct {
	ID   string `json:"id,omitempty" doc:"of the caller's making; the same action twice is done once"`
	Note string `json:"note,omitempty"`
}

// Shelve hides an alarm for a while.
type Shelve struct {
	ID   string   `json:"id,omitempty" doc:"of the caller's making; the same action twice is done once"`
	For  Duration `json:"for" doc:"for how long"`
	Note string   `json:"note,omitempty"`
}

// Done answers an action that is written down and done.
type Done struct {
	ID      string  `json:"id" doc:"of the action"`
	Chamber Chamber `json:"chamber" doc:"after it"`
}

// Problem is an error, as RFC 9457 describes it. Code, field, value, allowed and nearest are ours beyond it.
type Problem struct {
	Type    string  `json:"type" doc:"about:blank: the status says what kind it is"`
	Title   string  `json:"title"`
	Status  int     `json:"status"`
	Detail  string  `json:"detail" doc:"one line that says what, where and what to do"`
	Code    string  `json:"code" doc:"stable word for programs"`
	Field   string  `json:"field,omitempty" doc:"of the request"`
	Value   string  `json:"value,omitempty"`
	Allowed string  `json:"allowed,omitempty"`
	Nearest string  `json:"nearest,omitempty" doc:"the right word that looks most like it"`
	Faults  []Fault `json:"faults,omitempty" doc:"of an import: every one"`
}

func (p *Problem) Error() string { return p.Detail }

// Codes of problems.
const (
	CodeBadRequest   = "bad_request"
	CodeUnknownField = "unknown_field"
	CodeBadValue     = "bad_value"
	CodeRefused      = "refused"       // understood, and cannot be done
	CodeIDTaken      = "id_taken"      // the id belongs to another action
	CodeNotFound     = "not_found"     // no such chamber, batch, plug, alarm or path
	CodeMethod       = "method"        // the path exists, the method does not
	CodeMediaType    = "media_type"    // send JSON
	CodeTooLarge     = "too_large"     // the body
	CodeTokenMissing = "token_missing" // an action without a token
	CodeTokenWrong   = "token_wrong"
	CodeTokenReads   = "token_reads"  // the token is good for looking only
	CodeTokenLimit   = "token_limit"  // too many wrong tokens from there
	CodeNoToken      = "no_token_set" // the daemon can be reached from elsewhere and has no token: it takes no action
	CodeHost         = "host"         // the name in the request is not one of ours
	CodeCrossOrigin  = "cross_origin"
	CodeUnavailable  = "unavailable" // try again
	CodeInternal     = "internal"
)
