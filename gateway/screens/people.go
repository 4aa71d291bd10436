package screens

func (s *Screens) peoplePages() []row { return nil }
