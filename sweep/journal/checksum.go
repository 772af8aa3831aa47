package journal

import (
	"encoding/binary"
	"hash/crc32"
	"math"
)

// castagnoli has instructions of its own on common processors.
var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// checksum is the CRC-32C (RFC 3720, 12.1) of a row's values as SQLite gives
// them: int64, float64, string or nil, each with its type before it. buf is
// scratch; it comes back to be used again.
func checksum(values []any, buf []byte) (int64, []byte) {
	buf = buf[:0]
	for _, v := range values {
		switch v := v.(type) {
		case nil:
			buf = append(buf, 'n')
		case int64:
			buf = binary.LittleEndian.AppendUint64(append(buf, 'i'), uint64(v))
		case float64:
			buf = binary.LittleEndian.AppendUint64(append(buf, 'f'), math.Float64bits(v))
		case string:
			buf = binary.LittleEndian.AppendUint64(append(buf, 's'), uint64(len(v)))
			buf = append(buf, v...)
		default:
			buf = append(buf, '?') // no column has another type: never equal to a stored one
		}
	}
	return int64(crc32.Checksum(buf, castagnoli)), buf
}
