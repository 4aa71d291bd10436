package screens

func (s *Screens) nowPages() []row { return nil }
