package fleet

import "time"

// DefaultResend is how often an Alertmanager is told of what still stands. It takes an alarm for over when it has not
// heard of it for four times as long.
const DefaultResend = time.Minute

// remindNever is the word for no reminders; the others are time spans. Four hours are half a shift (our own choice).
const (
	remindNever   = "never"
	defaultRemind = "4h"
)

var remindWords = []string{remindNever, "1h", "2h", "4h", "8h", "24h"}

var notifyKeys = keys{
	{name: "mail", about: "the server that takes this program's mail", form: partForm{mailKeys}},
	{name: "webhooks", about: "addresses that take signed JSON over HTTP", form: listForm{webhookKeys}},
	{name: "alertmanagers", about: "servers that take alerts over the Alertmanager HTTP API, version 2", form: listForm{alertmanagerKeys}},
	{name: "people", about: "who is told, each by mail, by a webhook, or both", form: listForm{personKeys}},
	{name: "remind", about: "how often people and webhooks are told again of alarms of high priority that stand and that nobody has acknowledged", fallback: defaultRemind, form: wordForm{remindWords}},
	{name: "routes", about: "who is told of what; every route that fits counts", need: "list at least one route, which says who is told", form: listForm{routeKeys}},
}

const (
	needSecret = "name the file that holds the secret"
	aboutCA    = "certificate that signs the server's, if the system does not know it"
)

var mailKeys = keys{
	{name: "server", about: "host:port of the mail server", need: "say which server takes the mail, such as mail.example:587", form: textForm{"mail.example:587"}},
	{name: "tls", about: "how the way there is kept private; a server that does not offer starttls gets no mail unless this says none", fallback: "starttls", form: wordForm{[]string{string(StartTLS), string(ImplicitTLS), string(NoTLS)}}},
	{name: "from", about: "the address that mail comes from", need: "say which address the mail comes from", form: textForm{"ringwarden@mill.example"}},
	{name: "user", about: "user at the mail server", form: textForm{"ringwarden"}},
	{name: "password_file", about: "path of the file that holds the password", form: textForm{"secrets/mail"}},
	{name: "ca", about: aboutCA, form: textForm{"tls/mail-ca.pem"}},
}

var webhookKeys = keys{
	{name: "name", about: "the name that routes and people use", need: needName, form: textForm{"service desk"}},
	{name: "url", about: "where to post; http or https", need: "say where to post", form: textForm{"https://desk.example/alarms"}},
	{name: "secret_file", about: "path of the file that holds the signing secret, whsec_ and base64", need: needSecret, form: textForm{"secrets/desk"}},
	{name: "ca", about: aboutCA, form: textForm{"tls/desk-ca.pem"}},
}

var alertmanagerKeys = keys{
	{name: "name", about: "the name that routes use", need: needName, form: textForm{"company"}},
	{name: "url", about: "where it answers, without the path of its API", need: "say where it answers", form: textForm{"https://alerts.example:9093"}},
	{name: "user", about: "user for basic authentication", form: textForm{"ringwarden"}},
	{name: "password_file", about: "path of the file that holds the password", form: textForm{"secrets/alerts"}},
	{name: "ca", about: aboutCA, form: textForm{"tls/alerts-ca.pem"}},
	{name: "resend", about: "how often it is told again of what still stands", fallback: "1m", form: spanForm{10 * time.Second, 10 * time.Minute}},
}

var personKeys = keys{
	{name: "name", about: "the name that routes use", need: needName, form: textForm{"Maren"}},
	{name: "mail", about: "mail address", form: textForm{"maren@mill.example"}},
	{name: "webhook", about: "name of a webhook", form: textForm{"service desk"}},
	{name: "quiet", about: "hours of the day, by the clock of the site, in which lesser alarms wait", form: hoursForm{"22:00-07:00"}},
	{name: "quiet_up_to", about: "the highest priority that waits until the quiet hours are over", fallback: "low", form: wordForm{priorityNames[:High]}},
}

var routeKeys = keys{
	{name: "to", about: "names of people, webhooks and alertmanagers", need: "name who is told", form: namesForm{"Maren"}},
	{name: "at", about: "the site or ring that the route is for, by its id, as in mill/north", fallback: "everywhere", form: textForm{"mill/north"}},
	{name: "priority", about: "the least priority that is told", fallback: "low", form: wordForm{priorityNames[:]}},
}
