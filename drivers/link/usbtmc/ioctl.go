package usbtmc

import "unsafe"

// Numbers of ioctls as Linux makes them (include/uapi/asm-generic/ioctl.h,
// Linux 6.1; MIPS, PowerPC and SPARC have other directions and widths): the
// direction in bits 30 and 31, the argument's size in 16 to 29, the kind in 8
// to 15, the number in 0 to 7.
const (
	toDriver   = 1 << 30
	fromDriver = 2 << 30
	tmc        = 91 << 8 // USBTMC_IOC_NR

	sizeOf4 = 4 << 16
	// struct usbtmc_message is packed: three numbers of four bytes and a pointer.
	messageSize   = 12 + unsafe.Sizeof(uintptr(0))
	sizeOfMessage = messageSize << 16
)

// The ioctls in use (include/uapi/linux/usb/tmc.h, Linux 6.1).
const (
	ioctlClear        = tmc | 2
	ioctlClearOutHalt = tmc | 6
	ioctlClearInHalt  = tmc | 7
	ioctlWrite        = toDriver | fromDriver | sizeOfMessage | tmc | 13
	ioctlRead         = toDriver | fromDriver | sizeOfMessage | tmc | 14
	ioctlWriteResult  = toDriver | fromDriver | sizeOf4 | tmc | 15
	ioctlAPIVersion   = fromDriver | sizeOf4 | tmc | 16
	ioctlCleanupIO    = tmc | 36

	// flagAsync is USBTMC_FLAG_ASYNC of a usbtmc_message.
	flagAsync = 1
)
