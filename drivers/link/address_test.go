package link

import (
	"context"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestCheck(t *testing.T) {
	good := []string{
		"tcp://192.0.2.7:5025",
		"tcp://[::1]:5025",
		"tcp://scope.local:1",
		"hislip://192.0.2.7",
		"hislip://192.0.2.7/",
		"hislip://scope.local:4881/hislip3",
		"hislip://[2001:db8::7]/hislip0",
		"vxi11://192.0.2.7",
		"vxi11://scope.local/inst0",
		"vxi11://192.0.2.7:1111/gpib0,12",
		"usbtmc:///dev/usbtmc0",
		"usbtmc:///dev/scope",
		"serial:///dev/ttyUSB0",
		"serial:///dev/ttyUSB0?baud=115200&bits=7&parity=even&stop=2&library=tarm",
		"serial:///dev/serial/by-id/usb-Hut_4-if00-port0?baud=9600",
		"serial:///COM3?library=bugst",
		"serial:///dev/ttyUSB0?flow=xonxoff&pace=1ms",
		"serial:///dev/ttyUSB0?flow=rtscts&library=tarm&pace=0",
	}
	for _, address := range good {
		if err := Check(address); err != nil {
			t.Errorf("Check(%q) = %v", address, err)
		}
	}
	bad := []struct{ address, want string }{
		{"", "no kind of link"},
		{"192.0.2.7:5025", "no kind of link"},
		{"udp://192.0.2.7:5025", `"udp" is no kind of link, there are hislip, serial, tcp, usbtmc, vxi11`},
		{"tcp://", "host is missing"},
		{"tcp://:5025", "host is missing"},
		{"tcp://192.0.2.7", "port is missing"},
		{"tcp://192.0.2.7:", "port is missing"},
		{"tcp://192.0.2.7:0", "not between"},
		{"tcp://192.0.2.7:65536", "not between"},
		{"tcp://192.0.2.7:scpi", "invalid port"},
		{"tcp://192.0.2.7:5025/inst0", "no path"},
		{"tcp://192.0.2.7:5025?baud=9600", "no options"},
		{"tcp://me@192.0.2.7:5025", "no meaning"},
		{"tcp://192.0.2.7:5025#1", "no meaning"},
		{"hislip://", "host is missing, write it like hislip://192.0.2.7/hislip0"},
		{"hislip:///hislip0", "host is missing"},
		{"hislip://192.0.2.7:0/hislip0", "not between"},
		{"hislip://192.0.2.7:99999", "not between"},
		{"hislip://192.0.2.7/a/b", `"a/b" is no name of a device`},
		{"hislip://192.0.2.7/%0a", "no name of a device"},
		{"hislip://192.0.2.7/hislip0?lock=1", "no options"},
		{"vxi11://", "host is missing, write it like vxi11://192.0.2.7/inst0"},
		{"vxi11://192.0.2.7/inst 0", "no name of a device"},
		{"vxi11://192.0.2.7?", "no options"},
		{"usbtmc://", "follows three slashes, write it like usbtmc:///dev/usbtmc0"},
		{"usbtmc:///", "three slashes"},
		{"usbtmc://dev/usbtmc0", "three slashes"},
		{"usbtmc:///dev/usbtmc0?timeout=1", "no options"},
		{"serial://", "three slashes"},
		{"serial:///", "three slashes"},
		{"serial://COM3", "three slashes"},
		{"serial://dev/ttyUSB0", "three slashes"},
		{"serial:///dev/ttyUSB0?baudrate=9600", `option "baudrate" is not known`},
		{"serial:///dev/ttyUSB0?baud=fast", "baud=fast"},
		{"serial:///dev/ttyUSB0?baud=-9600", "baud=-9600"},
		{"serial:///dev/ttyUSB0?baud=0", "baud=0"},
		{"serial:///dev/ttyUSB0?baud=1&baud=2", "2 times"},
		{"serial:///dev/ttyUSB0?bits=9", "bits=9"},
		{"serial:///dev/ttyUSB0?stop=1.5", "stop=1.5"},
		{"serial:///dev/ttyUSB0?parity=mark", "parity=mark"},
		{"serial:///dev/ttyUSB0?flow=hardware", "flow=hardware: give one of none, rtscts, xonxoff"},
		{"serial:///dev/ttyUSB0?pace=1", "pace=1: give a time from 0s to 1s, as 1ms"},
		{"serial:///dev/ttyUSB0?pace=-1ms", "pace=-1ms"},
		{"serial:///dev/ttyUSB0?pace=2s", "pace=2s"},
		{"serial:///dev/ttyUSB0?library=other", "give one of bugst, tarm"},
		{"serial:///dev/ttyUSB0?baud=9600;bits=8", "options cannot be read"},
		{"tcp://\x7f:1", "invalid"},
	}
	for _, c := range bad {
		_, err := Open(context.Background(), c.address)
		if err == nil {
			t.Errorf("Open(%q) did not fail", c.address)
			continue
		}
		if !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("Open(%q): %v; want one line with %q", c.address, err, c.want)
		}
	}
}

func TestSerialSettings(t *testing.T) {
	cases := []struct {
		address string
		want    settings
	}{
		{"serial:///dev/ttyS0", settings{"/dev/ttyS0", 9600, 8, "none", 1, "none", 0}},
		{"serial:///dev/ttyS0?baud=115200&bits=7&parity=odd&stop=2", settings{"/dev/ttyS0", 115200, 7, "odd", 2, "none", 0}},
		{"serial:///dev/ttyS0?flow=none&pace=1.5ms", settings{"/dev/ttyS0", 9600, 8, "none", 1, "none", 1500 * time.Microsecond}},
		{"serial:///COM12", settings{"COM12", 9600, 8, "none", 1, "none", 0}},
		{"serial:///com3", settings{"com3", 9600, 8, "none", 1, "none", 0}},
		{"serial:///COM3/x", settings{"/COM3/x", 9600, 8, "none", 1, "none", 0}},
	}
	for _, c := range cases {
		u, err := url.Parse(c.address)
		if err != nil {
			t.Fatal(err)
		}
		var got settings
		keep := func(s settings) (port, error) { got = s; return nil, context.Canceled }
		was := libraries["bugst"]
		libraries["bugst"] = keep
		open, err := parseSerial(c.address, u)
		if err != nil {
			t.Fatalf("%s: %v", c.address, err)
		}
		_, _ = open(context.Background())
		libraries["bugst"] = was
		if d := cmp.Diff(c.want, got, cmp.AllowUnexported(settings{})); d != "" {
			t.Errorf("%s (-want +got):\n%s", c.address, d)
		}
	}
}

func TestOpenFails(t *testing.T) {
	cancelled, cancel := context.WithCancel(context.Background())
	cancel()
	cases := []struct {
		name    string
		ctx     context.Context
		address string
	}{
		{"nobody listens", context.Background(), "tcp://127.0.0.1:1"},
		{"no such device", context.Background(), "serial:///dev/no-such-line"},
		{"no such device, second library", context.Background(), "serial:///dev/no-such-line?library=tarm"},
		{"no serial line", context.Background(), "serial:///dev/null"},
		{"context at its end", cancelled, "tcp://127.0.0.1:1"},
		{"nobody listens, HiSLIP", context.Background(), "hislip://127.0.0.1:1"},
		{"nobody listens, VXI-11", context.Background(), "vxi11://127.0.0.1:1"},
		{"no such device file", context.Background(), "usbtmc:///dev/no-such-device"},
		{"no USBTMC device", context.Background(), "usbtmc:///dev/null"},
	}
	for _, c := range cases {
		l, err := Open(c.ctx, c.address)
		if err == nil {
			l.Close()
			t.Errorf("%s: no error", c.name)
			continue
		}
		if !strings.HasPrefix(err.Error(), "cannot open "+c.address+": ") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

// Each kind of link has advice of its own.
func TestRemedy(t *testing.T) {
	for address, want := range map[string]string{
		"tcp://192.0.2.7:5025":  "port",
		"serial:///dev/ttyS0":   "no other program",
		"hislip://192.0.2.7":    "HiSLIP is on",
		"vxi11://192.0.2.7":     "portmapper",
		"usbtmc:///dev/usbtmc0": "udev rule",
		"nowhere":               "",
	} {
		if got := Remedy(address); !strings.Contains(got, want) || want == "" && got != "" {
			t.Errorf("%s: %q", address, got)
		}
	}
	for scheme, k := range kinds {
		if k.remedy == "" {
			t.Errorf("%s has none", scheme)
		}
	}
}

func FuzzCheck(f *testing.F) {
	f.Add("tcp://192.0.2.7:5025")
	f.Add("serial:///dev/ttyUSB0?baud=115200&parity=even")
	f.Add("serial://%zz?;=&")
	f.Add("hislip://[::1]:4880/hislip0")
	f.Add("vxi11://192.0.2.7/gpib0,12")
	f.Add("usbtmc:///dev/usbtmc0")
	f.Fuzz(func(t *testing.T, address string) {
		// An address that is refused is refused in one line.
		if err := Check(address); err != nil && strings.ContainsAny(err.Error(), "\r\n") {
			t.Errorf("%q", err)
		}
	})
}
