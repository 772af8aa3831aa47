package usbtmc

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// Messages of the bulk endpoints (USBTMC 1.0, 3.2 and 3.3, tables 1 to 9; from
// memory): a header of 12 bytes, the data, and bytes to the next multiple of
// four on Bulk-OUT.
//
//	0  MsgID
//	1  bTag, 1 to 255
//	2  its complement
//	3  0
//	4  TransferSize, four bytes, little-endian: of the data alone
//	8  bmTransferAttributes: bit 0 EOM; of a request, bit 1 TermCharEnabled
//	9  TermChar of a request; 0
//	10 0
const (
	headerSize = 12

	devDepMsgOut       = 1
	requestDevDepMsgIn = 2 // on Bulk-OUT
	devDepMsgIn        = 2 // on Bulk-IN

	attributeEOM      = 1
	attributeTermChar = 2
)

type header struct {
	id         byte
	tag        byte
	size       uint32
	attributes byte
	termChar   byte
}

func (h header) append(dst []byte) []byte {
	dst = append(dst, h.id, h.tag, ^h.tag, 0)
	dst = binary.LittleEndian.AppendUint32(dst, h.size)
	return append(dst, h.attributes, h.termChar, 0, 0)
}

var errHeaderShort = errors.New("a message without a whole header")

// parseHeader reads a header from the beginning of a transfer.
func parseHeader(b []byte) (header, error) {
	if len(b) < headerSize {
		return header{}, fmt.Errorf("%w: %d bytes of %d", errHeaderShort, len(b), headerSize)
	}
	if b[1] == 0 || b[1] != ^b[2] {
		return header{}, fmt.Errorf("a header with bTag %d and %d for its complement", b[1], b[2])
	}
	return header{id: b[0], tag: b[1], size: binary.LittleEndian.Uint32(b[4:]), attributes: b[8], termChar: b[9]}, nil
}

// pad fills dst to a multiple of four bytes (USBTMC 1.0, 3.2; from memory).
func pad(dst []byte) []byte {
	return append(dst, 0, 0, 0)[:(len(dst)+3)&^3]
}

// nextTag follows tag; 0 is none (USBTMC 1.0, table 1; from memory).
func nextTag(tag byte) byte {
	if tag++; tag == 0 {
		tag = 1
	}
	return tag
}
