package usbtmc

import (
	"strconv"
	"testing"
)

// The numbers that a C compiler makes of linux/usb/tmc.h (Linux 6.1) on
// amd64; those with a pointer in their argument differ where it has 4 bytes.
func TestIoctlNumbers(t *testing.T) {
	cases := []struct {
		name           string
		got            uintptr
		want64, want32 uintptr
	}{
		{"USBTMC_IOCTL_CLEAR", ioctlClear, 0x5b02, 0x5b02},
		{"USBTMC_IOCTL_CLEAR_OUT_HALT", ioctlClearOutHalt, 0x5b06, 0x5b06},
		{"USBTMC_IOCTL_CLEAR_IN_HALT", ioctlClearInHalt, 0x5b07, 0x5b07},
		{"USBTMC_IOCTL_WRITE", ioctlWrite, 0xc0145b0d, 0xc0105b0d},
		{"USBTMC_IOCTL_READ", ioctlRead, 0xc0145b0e, 0xc0105b0e},
		{"USBTMC_IOCTL_WRITE_RESULT", ioctlWriteResult, 0xc0045b0f, 0xc0045b0f},
		{"USBTMC_IOCTL_API_VERSION", ioctlAPIVersion, 0x80045b10, 0x80045b10},
		{"USBTMC_IOCTL_CLEANUP_IO", ioctlCleanupIO, 0x5b24, 0x5b24},
	}
	for _, c := range cases {
		want := c.want64
		if strconv.IntSize == 32 {
			want = c.want32
		}
		if c.got != want {
			t.Errorf("%s is %#x, want %#x", c.name, c.got, want)
		}
	}
}
