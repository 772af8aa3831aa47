package setup

// defaults is what holds where nobody says anything, as it would be written in
// the file. A key without a line here, and not in required, has no default:
// then the dialect decides (time limits, input limit, channels), or there is
// none.
var defaults = []struct{ key, value string }{
	{"store", "halfturn.db"},
	{"bench.load.source", "50 Ω"},
	// Each clock is a crystal, commonly within 50 ppm (common practice).
	{"bench.clock_tolerance", "100 ppm"},
	{"bench.settle", "0 s"},
	{"plan.spacing", "logarithmic"},
	{"plan.captures", "4"},
	{"plan.max_captures", "64"},
	{"plan.precision", "0.1"}, // a tenth of the limits is no share of the doubt
	{"plan.fill.aim", "0.7"},
	{"plan.fill.min", "0.5"},
	{"plan.fill.max", "0.9"}, // clear of the converter's rails
	// What a balun's arm gives less than the cable's, and some to spare.
	{"plan.headroom", "4 dB"},
	{"plan.max_age", "24 h"},
	// Doubling the amplitude shows a level dependence; it is off since it costs time.
	{"plan.linearity.drop", "6 dB"},
	{"plan.linearity.every", "0"},
	{"serve.listen", "127.0.0.1:8737"}, // this machine only
	{"serve.retries", "6"},             // with the waits between them, about a minute
	{"serve.backoff", "1 s"},
}

// required is what only the person at the bench can know, with an example.
var required = []struct{ key, example string }{
	{"bench.name", "Hut 4"},
	{"bench.fixture", "plate 2, 100 Ω arms"},
	{"bench.generator.address", "tcp://192.0.2.10:5025"},
	{"bench.generator.dialect", "scpi99-generator"},
	{"bench.scope.address", "serial:///dev/ttyUSB0?baud=115200"},
	{"bench.scope.dialect", "scpi99-digitiser"},
	{"bench.load.resistance", "100 Ω"},
	{"bench.load.capacitance", "15 pF"},
	{"bench.max_drive.generator", "13 dBm"},
	{"bench.max_drive.balun", "20 dBm"},
}
