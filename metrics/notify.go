package metrics

// NotifyHealth is how telling people of alarms goes by one sink, since the program started.
type NotifyHealth struct {
	Sink    string // "mail", or the name of a webhook or Alertmanager
	Sent    uint64 // messages that the other side took
	Failed  uint64 // tries that failed
	GivenUp uint64 // messages that will not be tried again
	Waiting int    // messages that are not sent yet
}

func (h NotifyHealth) samples() []sample {
	return []sample{
		{notifySent, newLabels(notifySent, h.Sink), float64(h.Sent)},
		{notifyFailed, newLabels(notifyFailed, h.Sink), float64(h.Failed)},
		{notifyGivenUp, newLabels(notifyGivenUp, h.Sink), float64(h.GivenUp)},
		{notifyWaiting, newLabels(notifyWaiting, h.Sink), float64(h.Waiting)},
	}
}
