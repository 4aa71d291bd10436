package learntest

// unitMode is a unit that a balance can be set to, with the decimals that it then prints.
type unitMode struct {
	symbol string // as printed
	key    string // UCUM code or our own name
	scale  int
	max    int64 // the capacity, in units of 10^-scale
	step   int64 // the readability, likewise: 1, 2, 5 or 10
	need   Need  // what the symbol leaves open
	shown  string
}

// display is the symbol that the balance's display shows: the printed one, unless that says nothing to anybody.
func (u unitMode) display() string {
	if u.shown != "" {
		return u.shown
	}
	return u.symbol
}

// massUnit is one row of what balances weigh in.
type massUnit struct {
	symbol, key string
	need        Need
	scales      []int // usual decimals
	digits      []int // usual digits of the capacity, decimals included
	shown       string
}

var gram = massUnit{"g", "g", 0, []int{4, 3, 2, 1, 4, 3, 2, 5, 0}, []int{5, 6, 7}, ""}

// commonUnits are what most balances print.
var commonUnits = []share[massUnit]{
	{66, gram},
	{9, massUnit{"mg", "mg", 0, []int{0, 1, 2, 3, 4}, []int{5, 6, 7}, ""}},
	{15, massUnit{"kg", "kg", 0, []int{3, 2, 4, 1, 3, 2, 5}, []int{4, 5, 6}, ""}},
	{2, massUnit{"ozt", "[oz_tr]", 0, []int{4, 3, 5}, []int{5, 6}, ""}},
	{1, massUnit{"oz t", "[oz_tr]", 0, []int{4, 3}, []int{5, 6}, ""}},
	{1, massUnit{"dwt", "[pwt_tr]", 0, []int{3, 2}, []int{5, 6}, ""}},
	{1, massUnit{"GN", "[gr]", 0, []int{1, 2}, []int{5, 6}, ""}},
	{1, massUnit{"gn", "[gr]", 0, []int{1, 2}, []int{5, 6}, ""}},
	{1, massUnit{"car", "[car_m]", 0, []int{3, 2}, []int{5, 6}, ""}},
	{1, massUnit{"mom", "momme", 0, []int{4, 3}, []int{5, 6}, ""}},
	{1, massUnit{"mcg", "ug", 0, []int{0, 1}, []int{5, 6}, ""}},
	{1, massUnit{"µg", "ug", 0, []int{0, 1}, []int{5, 6}, ""}},
}

// openUnits are symbols that people read differently, or that nobody's table has.
var openUnits = []share[massUnit]{
	{3, massUnit{"oz", "[oz_av]", NeedMeaning, []int{3, 4, 2}, []int{4, 5}, ""}},
	{1, massUnit{"oz", "[oz_tr]", NeedMeaning, []int{3, 4}, []int{4, 5}, ""}},
	{3, massUnit{"lb", "[lb_av]", NeedMeaning, []int{3, 2, 4}, []int{4, 5}, ""}},
	{3, massUnit{"ct", "[car_m]", NeedMeaning, []int{2, 3}, []int{5, 6}, ""}},
	{1, massUnit{"tl", "tael-taiwan", NeedMeaning, []int{4, 3}, []int{5, 6}, ""}},
	{1, massUnit{"t", "t", NeedMeaning, []int{3, 2}, []int{4, 5}, ""}},
	{1, massUnit{"gr", "g", NeedMeaning, []int{2, 1}, []int{4, 5}, "g"}},
	{2, massUnit{"G", "g", NeedSymbol, []int{2, 3}, []int{5, 6}, "g"}},
	{2, massUnit{"KG", "kg", NeedSymbol, []int{2, 3}, []int{4, 5}, "kg"}},
	{1, massUnit{"Kg", "kg", NeedSymbol, []int{2, 3}, []int{4, 5}, "kg"}},
	{1, massUnit{"gram", "g", NeedSymbol, []int{2, 3}, []int{4, 5}, "g"}},
	{1, massUnit{"u1", "g", NeedSymbol, []int{2, 3}, []int{4, 5}, "g"}},
}

// mode draws decimals, capacity and readability.
func (u massUnit) mode(d dice) unitMode {
	m := unitMode{symbol: u.symbol, key: u.key, need: u.need, shown: u.shown, scale: one(d, u.scales...)}
	digits := max(one(d, u.digits...), m.scale+1)
	m.max = one(d, int64(1), 1, 2, 2, 3, 5, 6, 8) * power(digits-1)
	m.step = shared(d, []share[int64]{{75, 1}, {8, 2}, {12, 5}, {5, 10}})
	return m
}

func (m unitMode) digits() int { return len(itoa(m.max)) }

func power(n int) int64 {
	p := int64(1)
	for range n {
		p *= 10
	}
	return p
}

// pieces and percent are modes whose numbers are results and never weighings.
func pieces(d dice) unitMode {
	return unitMode{symbol: one(d, "pcs", "PCS"), key: "pieces", max: 9000, step: 1}
}

func percent(d dice) unitMode {
	return unitMode{symbol: "%", key: "%", scale: one(d, 1, 2), max: 15000, step: 1}
}
