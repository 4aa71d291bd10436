package sinktest

import (
	"encoding/json"

	"weighpost/gateway/record"
)

// withIdentity gives an entry another id and balance.
func withIdentity(e record.Entry, id, balance string) record.Entry {
	var w record.Weighing
	if err := json.Unmarshal(e.JSON, &w); err != nil {
		panic(err) // made by this package
	}
	w.ID, w.Balance.ID = id, balance
	raw, err := json.Marshal(&w)
	if err != nil {
		panic(err)
	}
	return record.Entry{Seq: e.Seq, Kind: e.Kind, ID: id, Balance: balance, JSON: raw}
}
