package screens

func (s *Screens) addPages() []row { return nil }
