package report

// definitions say what each figure is, where its planes lie and what its sign
// means, so that whoever signs need not ask.
func (in *Input) definitions() []condition {
	if in.calibrates() {
		return []condition{
			{"gain mismatch", "20 log₁₀ of the magnitude of arm 2's phasor over arm 1's, with the calibration cable, which feeds both alike: of fixture and scope alone. Positive where arm 2 reads more."},
			{"phase difference", "the argument of the same ratio. Positive where arm 2 is ahead, negative where it is late."},
		}
	}
	list := []condition{
		{"arm ratio r", "phasor of arm 2 over phasor of arm 1 with the balun, over the same with the calibration cable in its place. An ideal balun has -1."},
		{"planes", "the arms begin where the calibration cable joins both of them. What differs from there to the scope's samples is taken out; the arms' loads stay, and every figure holds with them. The unbalanced port is the plug that balun and cable share."},
		{"amplitude balance", "20 log₁₀ |r| dB. Positive where arm 2 is the larger."},
		{"phase balance", "arg(-r), the deviation from 180°. Positive where arm 2 is ahead of half a turn."},
		{"common-mode rejection", "20 log₁₀ |(1 - r)/(1 + r)| dB: |Sds21|/|Scs21| of the mixed-mode parameters (Bockelman and Eisenstadt, 1995)."},
		{"insertion loss", "-20 log₁₀ (|T|/|K|) dB, T = t₁ (1 - r)/2 being the differential transmission against the calibration cable, and K = (Z_L + 2 Z_0)/(2 Z_L + Z_0) that of a lossless 1:1 balun: Z_L is an arm's load, Z_0 the source resistance, as under the conditions. Negative where less is lost than in that balun with these nominal loads."},
	}
	if in.Run.Kind == KindSwapped {
		list = append(list, condition{"arms exchanged", "r is that of the balun as it was connected in this run, 1/r of the run before its arms were exchanged."})
	}
	if !in.referred() {
		return append(list, condition{"not known", "the phase of the transmission, and all reflections. |t₁| is the amplitude of arm 1 with the balun over that with the cable, at equal drive by the level that was set."})
	}
	return append(list,
		condition{"transmission of arm i", "t_i/K, where t_i is the phasor of arm i over that of the phase reference with the balun, over the same with the calibration cable. A lossless 1:1 balun as long as the cable has 1 in arm 1 and -1 in arm 2; r = t₂/t₁."},
		condition{"delay", "the straight line through an arm's phase, arm 2 with half a turn taken off, against the calibration cable; add the cable's own delay for that from the unbalanced port."},
		condition{"not known", "all reflections, and any phase but that against the calibration cable."})
}
