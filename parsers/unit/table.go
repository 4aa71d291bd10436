package unit

// table holds every unit. Sizes are exact fractions of a gram; those of the bullion tael are trade custom.
var table = []Unit{
	{Code: "g", Name: "gram", Quantity: Mass, numerator: 1, denominator: 1},
	{Code: "mg", Name: "milligram", Quantity: Mass, numerator: 1, denominator: 1_000},
	{Code: "ug", Name: "microgram", Quantity: Mass, numerator: 1, denominator: 1_000_000},
	{Code: "ng", Name: "nanogram", Quantity: Mass, numerator: 1, denominator: 1_000_000_000},
	{Code: "kg", Name: "kilogram", Quantity: Mass, numerator: 1_000, denominator: 1},
	{Code: "t", Name: "tonne", Quantity: Mass, numerator: 1_000_000, denominator: 1}, // SI Brochure table 8

	// NIST SP 811 B.8: the pound is 0.45359237 kg and the grain lb/7000, both by definition; the rest follows.
	{Code: "[lb_av]", Name: "pound avoirdupois", Quantity: Mass, numerator: 45_359_237, denominator: 100_000},
	{Code: "[oz_av]", Name: "ounce avoirdupois", Quantity: Mass, numerator: 45_359_237, denominator: 1_600_000}, // lb/16
	{Code: "[oz_tr]", Name: "troy ounce", Quantity: Mass, numerator: 19_439_673, denominator: 625_000},          // 480 gr
	{Code: "[pwt_tr]", Name: "pennyweight", Quantity: Mass, numerator: 19_439_673, denominator: 12_500_000},     // 24 gr
	{Code: "[gr]", Name: "grain", Quantity: Mass, numerator: 6_479_891, denominator: 100_000_000},               // lb/7000
	{Code: "[car_m]", Name: "metric carat", Quantity: Mass, numerator: 1, denominator: 5},
	{Code: "[lb_tr]", Name: "troy pound", Quantity: Mass, numerator: 58_319_019, denominator: 156_250},          // 5760 gr
	{Code: "[dr_av]", Name: "dram avoirdupois", Quantity: Mass, numerator: 45_359_237, denominator: 25_600_000}, // lb/256
	{Code: "[sc_ap]", Name: "apothecary scruple", Quantity: Mass, numerator: 6_479_891, denominator: 5_000_000}, // 20 gr
	{Code: "[dr_ap]", Name: "apothecary dram", Quantity: Mass, numerator: 19_439_673, denominator: 5_000_000},   // 60 gr
	{Code: "[stone_av]", Name: "stone", Quantity: Mass, numerator: 317_514_659, denominator: 50_000},            // 14 lb
	{Code: "[ston_av]", Name: "short ton", Quantity: Mass, numerator: 45_359_237, denominator: 50},              // 2000 lb
	{Code: "[lton_av]", Name: "long ton", Quantity: Mass, numerator: 635_029_318, denominator: 625},             // 2240 lb

	// Not in UCUM. Japanese measurement law: 1 kan = 3.75 kg = 1000 momme. A tola is 180 grains.
	{Own: "momme", Name: "momme", Quantity: Mass, numerator: 15, denominator: 4},
	{Own: "tola", Name: "tola", Quantity: Mass, numerator: 58_319_019, denominator: 5_000_000},
	// Six taels are in use. Hong Kong Cap. 68 schedule 1 gives the catty of 16 taels as 0.60478982 kg.
	{Own: "tael-hong-kong", Name: "tael (Hong Kong, statute)", Quantity: Mass, numerator: 30_239_491, denominator: 800_000},
	{Own: "tael-singapore", Name: "tael (4/3 ounce avoirdupois; Singapore, Malaysia)", Quantity: Mass, numerator: 45_359_237, denominator: 1_200_000},
	{Own: "tael-bullion", Name: "tael (Hong Kong troy, bullion trade)", Quantity: Mass, numerator: 37_429, denominator: 1_000},
	{Own: "tael-taiwan", Name: "tael (Taiwan)", Quantity: Mass, numerator: 75, denominator: 2},
	{Own: "tael-china", Name: "tael (mainland China, liang)", Quantity: Mass, numerator: 50, denominator: 1},
	{Own: "tael-china-before-1959", Name: "tael (mainland China before 1959)", Quantity: Mass, numerator: 125, denominator: 4},

	{Own: "pieces", Name: "pieces", Quantity: Count, numerator: 1, denominator: 1},
	{Code: "%", Name: "per cent", Quantity: Percent, numerator: 1, denominator: 1},
}
