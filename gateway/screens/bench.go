package screens

func (s *Screens) benchPages() []row { return nil }
