package screens

func (s *Screens) deliveryPages() []row { return nil }
