package secret

func (p Policy) blocked(secret string, about []string) error { return nil }
