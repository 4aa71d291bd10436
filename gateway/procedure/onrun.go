package procedure

import "weighpost/gateway/record"

func (r *Run) putAside(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	if r.aside {
		return nil, notDone("the run is put aside already")
	}
	return []*record.RunStep{r.about(record.RunPutAside, by)}, nil
}

func (r *Run) goAt(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	switch {
	case f.Balance.ID != a.At:
		return nil, notDone("there is no balance %s", clip(a.At))
	case r.balance == a.At:
		return nil, notDone("the run is at the balance %s already", clip(a.At))
	case f.Unfit != "":
		return nil, notDone("%s", f.Unfit)
	}
	e := r.about(record.RunMoved, by)
	b := f.Balance
	e.Balance = &b
	return []*record.RunStep{e}, nil
}

func (r *Run) handOver(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	if by.ID == r.by.ID {
		return nil, notDone("%s performs the run already", clip(by.Shown()))
	}
	return []*record.RunStep{r.about(record.RunHandedOver, by)}, nil
}

// about is an entry about the run as a whole.
func (r *Run) about(became string, by record.Actor) *record.RunStep {
	return &record.RunStep{Run: r.begun.Run, Became: became, Request: r.begun.Request, By: by}
}

func (r *Run) abandon(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	if r.def.Abandon && len(r.judged) > 0 && !f.MayAllow {
		return nil, notDone("something has been weighed, and the procedure lets only a reviewer abandon the run")
	}
	return nil, nil
}
