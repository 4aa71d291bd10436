package screens

import "weighpost/gateway/rights"

// What is said of settings beside their own descriptions: an order for people, what is seldom needed, and names where a key alone
// says too little.

// orders are keys that come first, by the path of what they are in.
var orders = map[string][]string{
	"": {"use", "measures", "loads", "times", "positions", "down", "tolerance", "questions", "schedule", "unfit", "overdue", "minimum_weight", "weights", "about", "broker", "way", "url", "folder", "servers", "stream", "address", "host", "server", "share", "path", "user", "device", "map", "listen", "dial", "entries", "balances", "verdicts", "hold", "closed", "format",
		"line", "lines", "block", "weight", "unit", "stability", "serial", "place", "capacity", "readability", "verification_interval", "implausible", "record", "layout", "port", "samples", "scanner", "context", "ask", "tap", "commands"},
	"port": {"address", "speed", "parity", "data_bits", "stop_bits", "flow"},
}

// mainGroups are open from the start.
var mainGroups = map[string]bool{"port": true, "verify": true, "space": true, "password": true, "session": true, "keep": true, "frame": true, "weight": true, "tolerance": true, "weights": true}

// rareKeys are folded away; a path, or *. and a key wherever it is.
var rareKeys = map[string]bool{
	"key_time": true,
	"*.driver": true, "*.latency": true, "*.write_timeout": true, "*.dial_timeout": true, "*.keep_alive": true, "*.listen_only": true,
	"prints_as": true, "identity_needed": true, "cursor": true, "batch_size": true, "batch_age": true, "deadline": true, "retry_min": true, "retry_max": true, "probe": true,
	"per_hour": true, "alarms.codes": true, "alarms.wait": true, "alarms.repeat": true,
	"proxy": true, "proxy_user": true, "proxy_password": true, "oauth.audience": true, "oauth.in_body": true,
	"newest_for": true, "acknowledge_within": true,
	"client_id": true, "self_test": true, "expiry": true, "poll_min": true, "poll_max": true, "drift_ppm": true, "algorithms": true, "skew": true,
	"doubt_at": true, "settle": true, "repeats": true,
	"session.per_person": true, "session.all": true, "code_page": true, "line_length": true, "frame.idle_gap": true, "frame.length": true, "frame.max_length": true,
}

// portKeys say which kinds of port have a key.
var portKeys = map[string]string{
	"speed": "serial rfc2217", "data_bits": "serial rfc2217", "parity": "serial rfc2217", "stop_bits": "serial rfc2217", "flow": "serial rfc2217",
	"driver": "serial", "dial_timeout": "tcp rfc2217", "keep_alive": "tcp rfc2217",
}

// escapedKeys hold control characters.
var escapedKeys = map[string]bool{"send": true, "prefix": true, "line_end": true, "asked_by": true, "nothing": true, "acknowledge": true, "page_end": true}

// hostKeys name files and folders of the host, which a form cannot point anywhere else.
var hostKeys = map[string]bool{"folder": true, "ca": true, "certificate": true, "key": true, "pseudo_terminal": true, "file": true}

// kindWords say what kinds of destination there are.
var kindWords = map[string]string{
	"mqtt":       "a broker (MQTT)",
	"files":      "files in a folder",
	"smb":        "files on a share (SMB)",
	"sftp":       "files on a server (SFTP)",
	"http":       "an address (HTTP)",
	"mail":       "people (mail)",
	"nats":       "a stream (NATS JetStream)",
	"postgres":   "a table (PostgreSQL)",
	"sparkplug":  "a live feed for Sparkplug hosts",
	"serial-out": "a program that reads a serial port",
	"tcp-out":    "programs that read lines over the network",
	"print":      "a printer",
	"keystrokes": "typing where the cursor of another computer is",
}

// labels by path, or *. and a key wherever it is.
var labels = map[string]string{
	"balances": "Balances", "verdicts": "Weighings and results, by verdict", "hold": "Hold weighings back", "closed": "Closed batches", "cursor": "Where to begin",
	"csv": "CSV", "cloudevents": "CloudEvents", "template": "Text of your own", "laboratory": "Documents of the laboratory model", "insecure": "Without encryption",
	"serial": "Serial number", "readability": "Readability d", "verification_interval": "Verification interval e", "record": "What is recorded",
	"implausible": "Impossible weights", "ask": "Asking for the weight", "tap": "Sharing with another program", "commands": "Commands", "context": "What weighings are tied to",
	"samples": "Samples", "scanner": "Scanner", "layout": "Layout", "port": "Port", "*.url": "Address", "*.ca": "Certificate authority file", "*.ca_file": "Certificate authority file",
	"*.for": "How long", "*.is": "Values", "*.dn": "DN", "*.gs1": "GS1 elements", "*.data_bits": "Data bits", "entries": "Kinds of entries", "*.uses": "How many uses",
	"*.idle": "Idle time", "*.pin": "PIN", "*.openid": "OpenID provider", "over": "Parts that it is about", "adopt": "People that a change takes", "*.bind_dn": "Bind DN", "*.user_dn": "DN of a person",
	"clock": "Clock", "*.drift_ppm": "Drift, millionths", "*.starttls": "StartTLS", "*.id": "Id", "every": "How often", "*.sinks": "Destinations", "*.client_id": "Client id",
	"name": "Names of the files", "mount": "Only where something is mounted", "manifest": "Checksums beside the files", "spreadsheet": "For spreadsheets",
	"encrypt": "Encrypted", "guest": "As a guest", "body": "What a request carries", "bearer": "Bearer token", "key": "Private key", "ca": "Certificate authority file",
	"listen": "Listens at", "dial": "Connects to", "unknown": "Characters that are missing there", "line_end": "End of a line", "nothing": "While there is nothing",
	"acknowledge": "Acknowledged by", "brokers": "Brokers, where there are several", "version": "MQTT version", "retain": "Retained", "live": "Live stream",
	"requests_record": "Requests may record", "requests_runs": "Requests for runs", "nkey": "NKey", "in_flight": "On their way at once", "sslmode": "TLS (sslmode)", "tls": "TLS", "auth": "Authentication",
	"way": "How the printer is reached", "address": "Host and port", "queue": "Queue of the spooler", "print": "What is printed", "type": "Media type", "page_end": "After each text",
	"map": "Keyboard map", "before": "Keys before", "after": "Keys after", "text": "What is typed",
	"*.per_hour": "Messages an hour", "*.alarms": "Conditions that are told",
	"use": "Ready-made check", "times": "How many weighings", "positions": "Places of the pan", "down": "Down again", "tolerance": "Limit", "warn_at": "Warning from, in per cent of the limit",
	"repeats": "How often a step may be done again", "doubt_at": "Wrong weight from, in per cent off", "settle": "At rest", "uncertainty": "Uncertainty in the report",
	"tolerance.percent": "Per cent of the load", "tolerance.d": "Multiples of d", "tolerance.verified": "As a verified balance (OIML R 76-1)", "tolerance.usp41": "USP <41>", "tolerance.smallest": "Smallest net weight",
	"*.usp41": "USP <41>", "*.unfit": "Weighings on a balance that is out of service", "*.overdue": "An overdue check means", "*.certificate": "By the certificate (EURAMET cg-18)", "*.required": "Accuracy required, per cent", "*.safety": "Safety factor",
	"weights": "Reference weights", "weights.overdue": "An overdue weight", "weights.coarse": "A weight too coarse for the limit", "*.before_use": "Before the first weighing of the day", "*.after": "At once after",
	"schedule": "Which checks, and when", "balances[].schedule": "Which checks, and when", "balances[].minimum_weight": "Minimum weight", "schedule[].every": "How often", "balances[].schedule[].every": "How often",
	"sign_submit": "Performers sign", "sign_idle": "Id and secret again to sign, after", "together": "Several runs at once", "reasons": "Reasons for corrections",
	"adoption": "Who adopts a version", "original": "The original of a weight that was typed in", "environment_within": "Readings of the air are offered for",
	"*.unmarked": "A print that says neither gross nor net", "accuracy_class": "Accuracy class (OIML R 76-1)",
	"*.oauth": "Authorization server (OAuth 2)", "*.token_url": "Address for tokens", "*.answer_id": "Id in the answer", "*.sign": "Secrets for signing", "*.statuses": "What answers mean",
}

var captureWords = map[string]string{
	"printed": "what the balance prints", "settled": "each load, once it has come to rest", "all": "every line (unusual)", "{every}": "the latest reading of each period",
	"{settled}": "each load at rest, with numbers of your own",
}

// sectionWords name the parts of the settings.
var sectionWords = map[string]string{
	"journal": "Journal", "page": "This page's address", "clock": "Clock", "log": "Log", "balances": "Balances", "sinks": "Destinations", "people": "People and policy",
	"samples": "Samples", "requests": "Requests from files", "checks": "Checks", "fitness": "Fitness", "backup": "Backup", "procedures": "Procedures", "review": "Review of runs", "reports": "Reports", "settings": "Who adopts changes", "central": "Central settings", "site": "Site", "roles": "Roles",
}

// rightWords say what a right allows.
var rightWords = map[rights.Right]string{
	rights.See: "see what balances show, destinations, the clock and what is wrong", rights.ReadJournal: "read entries, reviews and backups", rights.Export: "take entries out: exports, proofs, segments",
	rights.Weigh: "weigh: tie a balance's next weighings to oneself and a sample, ask for a weight", rights.SendContext: "tie weighings to another person, as a lab system does",
	rights.Command: "send a balance its commands", rights.Samples: "announce samples, and end them", rights.ReviewTrail: "note that the audit trail was looked over, release weighings that destinations hold back",
	rights.People: "add, change and disable accounts", rights.APIKeys: "make and revoke keys for programs", rights.ReviewAccounts: "note that the accounts were looked over",
	rights.Balances: "change balances, ports, layouts and limits", rights.Sinks: "change where entries are delivered", rights.Settings: "change any other setting",
	rights.Adopt: "adopt, or turn down, a change that waits", rights.Backup: "make backups, and note that one was verified", rights.Seal: "seal old entries",
	rights.JournalKey: "change the key that signs checkpoints", rights.CorrectClock: "state that stamps were wrong", rights.OwnAccount: "see and change one's own password and sessions",
	rights.ReadPeople: "see who has an account, and who held which right when", rights.ReadSettings: "see the settings", rights.Measurements: "read weighpost's own measurements (/metrics)",
	rights.Check: "check balances with reference weights", rights.Fitness: "take balances out of service and put them back; note adjustments, moves, repairs, calibrations",
	rights.Weights: "register reference weights, and withdraw them", rights.JudgeFailed: "judge what a failed check throws doubt on, and close it",
	rights.Run: "begin runs of procedures, and go on with them", rights.Procedures: "write versions of procedures, and withdraw them",
	rights.AdoptProcedures: "adopt versions of procedures, or turn them down", rights.AllowOutside: "let a run go on with a value outside its limits",
	rights.SecondPerson: "confirm as a second person", rights.LateEntry: "type in the slip of a weighing that was not read",
	rights.Containers: "register containers, and withdraw them", rights.Requests: "send requests for runs, change and cancel one's own",
	rights.Environment: "send what instruments show of the air at balances",
	rights.ReviewRuns:  "review runs that others performed: sign or give back, correct, replace", rights.ApproveRuns: "approve runs where two are to sign; archive runs",
	rights.OperateAnywhere: "sign in at any balance, also where that is limited to some people", rights.Deliveries: "have refused entries delivered again, or given up; pause deliveries",
}
