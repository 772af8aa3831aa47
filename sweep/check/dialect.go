package check

import "halfturn/drivers/dialect"

// readBack is how a verb's success is known.
func readBack(d *dialect.File, verb string) string {
	if d.Confirms(verb) {
		return "set and read back"
	}
	return "set; not read back, the dialect has no confirm for it"
}

// lookUp is what to look up where something fails: keys of the dialect in
// parentheses, see configs/dialects/README.md.
var lookUp = map[string]string{
	"link":      "how the instrument is reached: address and port, or baud rate and handshake, whether remote control has to be switched on; what ends a message (link.terminator) and the query for the identity (link.identity)",
	"prepare":   "the commands that bring it into a known state (prepare.send) and the query that waits for them (prepare.wait)",
	"frequency": "the command and the query for the frequency, their unit and resolution (frequency, numbers.frequency), and the band (abilities.frequency)",
	"drive":     "the command and the query for the level, their unit and resolution (drive, numbers.drive), and the levels into 50 Ω (abilities.drive)",
	"rf on":     "the command that switches the output on (rf.on) and its query (rf.confirm)",
	"rf off":    "the command that switches the output off (rf.off) and its query (rf.confirm); until then switch it off by hand",
	"range":     "the command and the query for the range: volts a division or full scale, names of channels (range, numbers.range), how many divisions a range has (abilities.divisions), and which ranges there are (abilities.ranges)",
	"window":    "the commands and the queries for sample rate and record length (window, numbers), and which there are with both channels on (abilities.windows)",
	"capture":   "how a single acquisition is started and waited for (acquire), how a record is fetched (read.ask), its encoding, byte order and length (read)",
	"plan":      "the generator's band (abilities.frequency), and the scope's sample rates and record lengths (abilities.windows); the sweep is in the bench file (plan)",
	"rail":      "the lowest and the highest code of the converter (scale.rails): the codes at which this scope stops",
	"codes":     "how a sample is written: sign and width (read.encoding), which byte comes first and which bits count (read.byte_order, read.spare_bits), which code stands for 0 V (scale.zero), and the lowest and the highest code of the converter (scale.rails)",
	"order":     "the order in which samples come: one channel behind the other or by turns (read.channels, read.order), their width and sign (read.encoding), which byte comes first (read.byte_order); then the sample rate (abilities.windows)",
	"scale":     "which volts a code stands for (scale.volts_per_code, scale.zero); ranges are full scale peak to peak, with eight divisions eight times the volts a division; at the bench: a probe factor that is set, the level's unit, attenuators, an input of 50 Ω",
	"rate":      "the sample rates with both channels on (abilities.windows), and the unit of rate or interval (numbers); where each rate is off by 2, whether channels come in turn or interleaved (read.channels)",
	"together":  "how one acquisition takes both channels (acquire.start), whether the scope goes on acquiring while it is read (prepare.send, to stop it), and whether channels share a converter",
	"clock":     "the accuracy of both instruments' clocks; lock them to one reference, or set the bench's clock_tolerance",
	"signal":    "at the bench: RF cable from generator to fixture, the fixture's cables to both channels, the channels' names (scope.channels), inputs that are switched off; in the manual: the command that switches the output on (rf.on)",
	"reference": "at the bench: the splitter at the generator's output and its cable to the channel, an input that it can drive, the channel's name (scope.channels.reference); in the manual: the command that switches a channel on (prepare.channel)",
	"arm":       "at the bench: that arm's wire, cable and load, its channel's input and probe factor, and its name (scope.channels)",
	"errors":    "what the entry means, and the query for the error queue (link.errors)",
}
