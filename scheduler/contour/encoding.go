package contour

import (
	"bytes"
	"encoding/binary"
	"unicode/utf16"
	"unicode/utf8"

	"tandem/scheduler/badfield"
)

// toUTF8 returns the file as UTF-8 and whether it was UTF-16, which XML 1.0 (section 4.3.3 and appendix F) lets a reader
// tell by the byte order mark, or by the zero beside the first "<".
func toUTF8(file []byte) (text []byte, wide bool, err error) {
	var order binary.ByteOrder
	switch {
	case bytes.HasPrefix(file, []byte{0xEF, 0xBB, 0xBF}):
		return file[3:], false, nil
	case bytes.HasPrefix(file, []byte{0xFE, 0xFF}):
		order, file = binary.BigEndian, file[2:]
	case bytes.HasPrefix(file, []byte{0xFF, 0xFE}):
		order, file = binary.LittleEndian, file[2:]
	case bytes.HasPrefix(file, []byte{0, '<'}):
		order = binary.BigEndian
	case bytes.HasPrefix(file, []byte{'<', 0}):
		order = binary.LittleEndian
	default:
		return file, false, nil
	}
	bad := badfield.New("", "the file is damaged UTF-16: save it as UTF-8")
	if len(file)%2 != 0 {
		return nil, true, bad
	}
	text = make([]byte, 0, len(file)/2+len(file)/16)
	for i := 0; i < len(file); i += 2 {
		r := rune(order.Uint16(file[i:]))
		if utf16.IsSurrogate(r) {
			if i += 2; i == len(file) {
				return nil, true, bad
			}
			if r = utf16.DecodeRune(r, rune(order.Uint16(file[i:]))); r == utf8.RuneError {
				return nil, true, bad
			}
		}
		text = utf8.AppendRune(text, r)
	}
	return text, true, nil
}
