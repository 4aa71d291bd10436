package screens

// clockShape is the shape beside a state of the clock, or a verdict on a time server.
func clockShape(state string) string {
	switch state {
	case "checked", "agreeing":
		return "at-rest"
	case "holdover", "unchecked":
		return "warning"
	case "falseticker", "refused":
		return "error"
	}
	return "not-said"
}

// clockWord says what a state of the clock means.
func clockWord(state string) string {
	switch state {
	case "holdover":
		return "holdover: no agreement now"
	case "unchecked":
		return "unchecked: as the computer has it"
	}
	return state
}
