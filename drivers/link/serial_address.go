package link

import (
	"context"
	"fmt"
	"maps"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// settings is what a serial address says about the line.
type settings struct {
	device string
	baud   int
	bits   int
	parity string
	stop   int
	flow   string
	pace   time.Duration // between characters
}

// character is how long one character is on its way.
func (s settings) character() time.Duration {
	bits := 1 + s.bits + s.stop
	if s.parity != "none" {
		bits++
	}
	return time.Duration(bits) * time.Second / time.Duration(s.baud)
}

// transparent says whether the line carries all byte values: XON and XOFF are
// two of them.
func (s settings) transparent() bool { return s.bits == 8 && s.flow != flowXonXoff }

const (
	flowNone    = "none"
	flowXonXoff = "xonxoff"
	flowRTSCTS  = "rtscts"
)

var libraries = map[string]func(settings) (port, error){
	"bugst": openBugst,
	"tarm":  openTarm,
}

var windowsName = regexp.MustCompile(`^/(?i:COM[0-9]+)$`)

func parseSerial(address string, u *url.URL) (opener, error) {
	if u.Host != "" || u.Path == "" || u.Path == "/" {
		return nil, fmt.Errorf("the device follows three slashes, write it like serial:///dev/ttyUSB0?baud=115200 or serial:///COM3")
	}
	s := settings{device: u.Path, baud: 9600, bits: 8, parity: "none", stop: 1, flow: flowNone}
	if windowsName.MatchString(s.device) {
		s.device = s.device[1:]
	}
	options, err := url.ParseQuery(u.RawQuery)
	if err != nil {
		return nil, fmt.Errorf("the options cannot be read: %v", err)
	}
	library := "bugst"
	for _, name := range slices.Sorted(maps.Keys(options)) {
		values := options[name]
		if len(values) > 1 {
			return nil, fmt.Errorf("option %s is given %d times", name, len(values))
		}
		value := values[0]
		switch name {
		case "baud":
			s.baud, err = number(name, value, 1, 100_000_000)
		case "bits":
			s.bits, err = number(name, value, 5, 8)
		case "stop":
			s.stop, err = number(name, value, 1, 2)
		case "parity":
			s.parity = value
			err = oneOf(name, value, "even", "none", "odd")
		case "flow":
			s.flow = value
			err = oneOf(name, value, flowNone, flowRTSCTS, flowXonXoff)
		case "pace":
			s.pace, err = time.ParseDuration(value)
			if err != nil || s.pace < 0 || s.pace > longestPace {
				err = fmt.Errorf("%s=%s: give a time from 0s to %v, as 1ms", name, value, longestPace)
			}
		case "library":
			library = value
			err = oneOf(name, value, slices.Sorted(maps.Keys(libraries))...)
		default:
			err = fmt.Errorf("option %q is not known, there are baud, bits, parity, stop, flow, pace and library", name)
		}
		if err != nil {
			return nil, err
		}
	}
	return func(context.Context) (Link, error) {
		p, err := openPort(s, libraries[library])
		if err != nil {
			return nil, err
		}
		return newSerial(address, s, p), nil
	}, nil
}

// longestPace is far beyond what any instrument needs, and short enough to
// notice that the link was closed.
const longestPace = time.Second

func number(name, value string, low, high int) (int, error) {
	n, err := strconv.Atoi(value)
	if err != nil || n < low || n > high {
		return 0, fmt.Errorf("%s=%s: give a whole number from %d to %d", name, value, low, high)
	}
	return n, nil
}

func oneOf(name, value string, known ...string) error {
	if !slices.Contains(known, value) {
		return fmt.Errorf("%s=%s: give one of %s", name, value, strings.Join(known, ", "))
	}
	return nil
}
