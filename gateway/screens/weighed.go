package screens

func (s *Screens) recordPages() []row { return nil }
