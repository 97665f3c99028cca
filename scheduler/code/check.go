package code

import "strings"

// alphabet gives each character its value in ISO/IEC 7064.
const alphabet = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"

// Check returns the check character of s by ISO/IEC 7064, MOD 37,36 (a hybrid system: the check character comes from the
// same alphabet), or 0 if s holds anything but 0-9 and A-Z. Every single wrong character is detected, and nearly every
// swap of two neighbours.
func Check(s string) byte {
	p := 36
	for i := range len(s) {
		v := strings.IndexByte(alphabet, s[i])
		if v < 0 {
			return 0
		}
		p = (p + v) % 36
		if p == 0 {
			p = 36
		}
		p = p * 2 % 37
	}
	return alphabet[(37-p)%36]
}
