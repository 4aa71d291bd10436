package console

import "github.com/prometheus/client_golang/prometheus"

var (
	questionsTotal = describe("questions_total", "Questions sent to a balance that is asked for its weight, since the start.", "balance")
	answersTotal   = describe("answers_total", "Answers to them that came in time.", "balance")
	missedTotal    = describe("missed_answers_total", "Questions that were not answered in time, or could not be sent.", "balance")
	lastAnswer     = describe("last_answer_timestamp_seconds", "When the latest answer came.", "balance")
)

// collectAsking gives the numbers of a balance that is asked, if it is.
func collectAsking(b *Balance, send func(*prometheus.Desc, prometheus.ValueType, float64, ...string)) {
	a := b.Asking
	if a == nil {
		return
	}
	send(questionsTotal, prometheus.CounterValue, float64(a.Questions), b.ID)
	send(answersTotal, prometheus.CounterValue, float64(a.Answers), b.ID)
	send(missedTotal, prometheus.CounterValue, float64(a.Missed), b.ID)
	if a.LastAnswer != nil {
		send(lastAnswer, prometheus.GaugeValue, float64(a.LastAnswer.Time().UnixNano())/1e9, b.ID)
	}
}
