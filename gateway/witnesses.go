package gateway

import (
	"weighpost/gateway/backup"
	"weighpost/gateway/config"
	"weighpost/sinks"
	"weighpost/sinks/all"
)

// Witnesses are the destinations of a configuration, to be asked what they hold of a journal of a site. No daemon is needed.
func Witnesses(cfg *config.Config, site string) (list []backup.Witness) {
	for _, sink := range cfg.Sinks {
		w := backup.Witness{ID: sink.Delivery.ID, Why: "a destination of the kind " + sink.Kind + " cannot be asked what it holds"}
		if asked, ok := sink.Settings.(all.Asked); ok {
			ask, err := asked.Witness(sink.Delivery.ID, sinks.Env{Site: site})
			if w.Ask, w.Why = ask, ""; err != nil {
				w.Ask, w.Why = nil, err.Error()
			}
		}
		list = append(list, w)
	}
	return list
}
