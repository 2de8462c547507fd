package epcis

import (
	"errors"
	"strings"
)

// Headers of the capture and query interface. Source: gs1/EPCIS, REST Bindings/openapi.yaml.
const (
	HeaderEPCISVersion     = "GS1-EPCIS-Version"
	HeaderEPCISMin         = "GS1-EPCIS-Min"
	HeaderEPCISMax         = "GS1-EPCIS-Max"
	HeaderCBVVersion       = "GS1-CBV-Version"
	HeaderCBVMin           = "GS1-CBV-Min"
	HeaderCBVMax           = "GS1-CBV-Max"
	HeaderEPCFormat        = "GS1-EPC-Format"
	HeaderCBVXMLFormat     = "GS1-CBV-XML-Format"
	HeaderExtensions       = "GS1-Extensions"
	HeaderVendorVersion    = "GS1-Vendor-Version"
	HeaderCaptureLimit     = "GS1-EPCIS-Capture-Limit"           // events
	HeaderCaptureFileLimit = "GS1-EPCIS-Capture-File-Size-Limit" // bytes
	HeaderErrorBehaviour   = "GS1-Capture-Error-Behaviour"
	HeaderSignature        = "GS1-Signature"
	HeaderNextPageExpires  = "GS1-Next-Page-Token-Expires"
)

// Version is the version of EPCIS and of the Core Business Vocabulary that this package speaks.
const Version = "2.0.0"

// ErrorBehaviour says what becomes of the good events of a capture that has bad ones.
type ErrorBehaviour string

// The error behaviours.
const (
	Rollback ErrorBehaviour = "rollback" // all or nothing; the default
	Proceed  ErrorBehaviour = "proceed"  // the good ones are kept
)

// ParseErrorBehaviour reads the header; "" is the default.
func ParseErrorBehaviour(s string) (ErrorBehaviour, error) {
	switch b := ErrorBehaviour(strings.TrimSpace(s)); b {
	case "":
		return Rollback, nil
	case Rollback, Proceed:
		return b, nil
	}
	return "", errors.New(HeaderErrorBehaviour + " is " + shown(s) + "; it must be rollback or proceed")
}

// Job is a capture job, with the names of the standard.
type Job struct {
	ID         string `json:"captureID"`
	CreatedAt  string `json:"createdAt"`            // RFC 3339
	FinishedAt string `json:"finishedAt,omitempty"` // RFC 3339; left out while it runs
	Running    bool   `json:"running"`
	// while it runs: no error so far. Afterwards, false: nothing was stored under rollback, a part
	// under proceed
	Success        bool           `json:"success"`
	ErrorBehaviour ErrorBehaviour `json:"captureErrorBehaviour"`
	Errors         []JobError     `json:"errors"`
}

// JobError is one error of a capture job: a problem detail (RFC 9457).
type JobError struct {
	Type     string `json:"type"`
	Title    string `json:"title"`
	Status   int    `json:"status,omitempty"`
	Detail   string `json:"detail,omitempty"`
	Instance string `json:"instance,omitempty"`
}

// Exception is the type of a problem detail of the standard.
type Exception string

// The exceptions. Source: gs1/EPCIS, REST Bindings/openapi.yaml.
const (
	ExceptionValidation            Exception = "epcisException:ValidationException"
	ExceptionSecurity              Exception = "epcisException:SecurityException"
	ExceptionNoSuchResource        Exception = "epcisException:NoSuchResourceException"
	ExceptionNoSuchName            Exception = "epcisException:NoSuchNameException"
	ExceptionNotAcceptable         Exception = "epcisException:NotAcceptableException"
	ExceptionResourceAlreadyExists Exception = "epcisException:ResourceAlreadyExistsException"
	ExceptionCaptureLimitExceeded  Exception = "epcisException:CaptureLimitExceededException"
	ExceptionQueryTooLarge         Exception = "epcisException:QueryTooLargeException"
	ExceptionQueryTooComplex       Exception = "epcisException:QueryTooComplexException"
	ExceptionURITooLong            Exception = "epcisException:URITooLongException"
	ExceptionUnsupportedMediaType  Exception = "epcisException:UnsupportedMediaTypeException"
	ExceptionQueryParameter        Exception = "epcisException:QueryParameterException"
	ExceptionQueryValidation       Exception = "epcisException:QueryValidationException"
	ExceptionSubscriptionControls  Exception = "epcisException:SubscriptionControlsException"
	ExceptionImplementation        Exception = "epcisException:ImplementationException"
)

// exceptions are the status and the title of each.
var exceptions = map[Exception]struct {
	status int
	title  string
}{
	ExceptionValidation:      {400, "The events do not follow the standard"},
	ExceptionQueryParameter:  {400, "A parameter of the query is wrong"},
	ExceptionQueryValidation: {400, "The query does not follow the standard"},
	// the status is not given by the source: common practice, no source
	ExceptionSubscriptionControls:  {400, "The controls of the subscription are wrong"},
	ExceptionSecurity:              {401, "Not allowed"}, // 403 where the caller is known
	ExceptionNoSuchResource:        {404, "There is no such resource"},
	ExceptionNoSuchName:            {404, "There is no such name"},
	ExceptionNotAcceptable:         {406, "None of the accepted forms can be given"},
	ExceptionResourceAlreadyExists: {409, "It is there already"},
	ExceptionCaptureLimitExceeded:  {413, "The document is larger than this server takes"},
	ExceptionQueryTooLarge:         {413, "The answer would be too large"},
	ExceptionQueryTooComplex:       {413, "The query is too complex"},
	ExceptionURITooLong:            {414, "The address is too long"},
	ExceptionUnsupportedMediaType:  {415, "The form of the body is not supported"},
	ExceptionImplementation:        {500, "The server failed"},
}

// Status returns the HTTP status of an exception; 500 for one that the standard does not have. A
// SecurityException is 401, and 403 where the caller is known and may not do what they ask.
func (e Exception) Status() int {
	if x, ok := exceptions[e]; ok {
		return x.status
	}
	return 500
}

// Title returns a short text for people.
func (e Exception) Title() string { return exceptions[e].title }

// ExceptionOf returns the exception for an error of Parse.
func ExceptionOf(err error) Exception {
	var limit *LimitError
	var problems Errors
	switch {
	case errors.As(err, &limit):
		return ExceptionCaptureLimitExceeded
	case errors.As(err, &problems):
		return ExceptionValidation
	}
	return ExceptionImplementation
}

// JobErrors turns an error of Parse, or Document.Refused, into the errors of a job: one for each
// problem.
func JobErrors(err error) []JobError {
	if err == nil {
		return []JobError{}
	}
	kind := ExceptionOf(err)
	one := func(detail, pointer string) JobError {
		e := JobError{Type: string(kind), Title: kind.Title(), Status: kind.Status(), Detail: detail}
		if pointer != "" {
			e.Instance = "#" + escapeFragment(pointer)
		}
		return e
	}
	var problems Errors
	if !errors.As(err, &problems) {
		return []JobError{one(err.Error(), "")}
	}
	list := make([]JobError, 0, len(problems))
	for _, p := range problems {
		list = append(list, one(p.String(), p.Pointer))
	}
	return list
}

// escapeFragment writes a JSON pointer as the fragment of a URI (RFC 6901, section 6).
func escapeFragment(pointer string) string {
	out := make([]byte, 0, len(pointer))
	for i := range len(pointer) {
		if c := pointer[i]; c != '#' && uriByte[c] {
			out = append(out, c)
		} else {
			out = append(out, '%', upperHex[c>>4], upperHex[c&15])
		}
	}
	return string(out)
}
