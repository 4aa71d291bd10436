package record

// NewBody gives an empty body of the type that entries of a kind have, or nil for a kind that this weighpost does not know. It is
// what the shape of each kind of entry can be read from.
func NewBody(k Kind) Body {
	for _, list := range []func(Kind) Body{recordedBody, keptBody, peopleBody, deliveryBody, fitnessBody, procedureBody} {
		if b := list(k); b != nil {
			return b
		}
	}
	return nil
}

func recordedBody(k Kind) Body {
	switch k {
	case KindWeighing:
		return &Weighing{}
	case KindResult:
		return &Result{}
	case KindUnread:
		return &Unread{}
	case KindUnreadSummary:
		return &UnreadSummary{}
	case KindPortUp, KindPortDown:
		return &PortChange{Up: k == KindPortUp}
	case KindGap:
		return &Gap{}
	case KindStart, KindStop:
		return &Lifecycle{Started: k == KindStart}
	case KindClockChanged:
		return &ClockChange{}
	case KindContextChanged:
		return &ContextChange{}
	case KindConfigured:
		return &Configured{}
	case KindLayoutChanged:
		return &LayoutChange{}
	case KindCommand:
		return &Command{}
	case KindSampleAnnounced:
		return &SampleAnnounced{}
	}
	return nil
}

func keptBody(k Kind) Body {
	switch k {
	case KindKeyRotated:
		return &KeyRotated{}
	case KindTimestamped:
		return &Timestamped{}
	case KindClockCorrected:
		return &ClockCorrected{}
	case KindTrailReviewed:
		return &TrailReviewed{}
	case KindBackup:
		return &Backup{}
	case KindRestored:
		return &Restored{}
	case KindSealed:
		return &Sealed{}
	case KindRecordingStopped, KindRecordingResumed:
		return &RecordingState{Stopped: k == KindRecordingStopped}
	case KindDamage:
		return &Damage{}
	}
	return nil
}

func peopleBody(k Kind) Body {
	switch k {
	case KindRefused:
		return &Refused{}
	case KindPersonChanged:
		return &PersonChanged{}
	case KindSignedIn:
		return &SignedIn{}
	case KindSignedOut:
		return &SignedOut{}
	case KindSignInRefused:
		return &SignInRefused{}
	case KindAPIKeyChanged:
		return &APIKeyChanged{}
	case KindAccountsReviewed:
		return &AccountsReviewed{}
	case KindSettingsPending:
		return &SettingsPending{}
	case KindSettingsDecided:
		return &SettingsDecided{}
	}
	return nil
}

func deliveryBody(k Kind) Body {
	switch k {
	case KindParked:
		return &Parked{}
	case KindSinkStopped, KindSinkResumed:
		return &SinkState{Stopped: k == KindSinkStopped}
	case KindSinkMoved:
		return &SinkMoved{}
	case KindParkedRetried, KindParkedDropped:
		return &ParkedActed{Dropped: k == KindParkedDropped}
	case KindSinkTried:
		return &SinkTried{}
	case KindSinkPaused, KindSinkContinued:
		return &SinkPaused{Paused: k == KindSinkPaused}
	case KindHeldReleased:
		return &HeldReleased{}
	case KindSinkAnswered:
		return &SinkAnswered{}
	}
	return nil
}

func fitnessBody(k Kind) Body {
	switch k {
	case KindWeightChanged:
		return &WeightEntry{}
	case KindCheckBegun:
		return &CheckBegun{}
	case KindCheckStep:
		return &CheckStep{}
	case KindCheckEnded:
		return &CheckEnded{}
	case KindFitnessChanged:
		return &FitnessChanged{}
	case KindCheckReminder:
		return &CheckReminder{}
	case KindUpkeep:
		return &Upkeep{}
	case KindAffectedJudged:
		return &AffectedJudged{}
	case KindFailureClosed:
		return &FailureClosed{}
	}
	return nil
}

func procedureBody(k Kind) Body {
	switch k {
	case KindProcedureChanged:
		return &ProcedureChanged{}
	case KindRunBegun:
		return &RunBegun{}
	case KindRunStep:
		return &RunStep{}
	case KindRunEnded:
		return &RunEnded{}
	case KindRequestChanged:
		return &LabRequestChanged{}
	case KindContainerChanged:
		return &ContainerChanged{}
	case KindLateEntered:
		return &LateEntered{}
	case KindLateDecided:
		return &LateDecided{}
	case KindRunReviewed:
		return &RunReview{}
	case KindRunCorrected:
		return &RunCorrected{}
	case KindSignature:
		return &Signature{}
	case KindSignatureRefused:
		return &SignatureRefused{}
	case KindReportIssued:
		return &ReportIssued{}
	}
	return nil
}
