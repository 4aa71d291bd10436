package screens

func (s *Screens) settingsPages() []row { return nil }
