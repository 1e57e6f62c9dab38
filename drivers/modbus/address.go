package modbus

import (
	"fmt"
	"strconv"
	"strings"
)

// ParseAddress reads the address of a register or bit as people write it: a decimal number from
// 0 to 65535, or the same in hexadecimal with 0x. It is the number that travels in the request;
// the first register is 0.
//
// Two notations are refused because they mean different things to different readers. A leading
// zero is octal to some tools and decimal to others. A number such as 40001 is in most manuals
// the first holding register, address 0, and in a few truly address 40001; who means the second
// writes it in hexadecimal.
func ParseAddress(text string) (int, error) {
	t := strings.TrimSpace(text)
	if hex, ok := strings.CutPrefix(strings.ToLower(t), "0x"); ok {
		n, err := strconv.ParseUint(hex, 16, 16)
		if err != nil {
			return 0, fmt.Errorf("%q is not an address from 0x0 to 0xFFFF", text)
		}
		return int(n), nil
	}
	for _, r := range t {
		if r < '0' || r > '9' {
			return 0, fmt.Errorf("%q is not an address; write a number from 0 to 65535, or 0x0 to 0xFFFF", text)
		}
	}
	n, err := strconv.Atoi(t)
	if err != nil {
		return 0, fmt.Errorf("%q is not an address; write a number from 0 to 65535, or 0x0 to 0xFFFF", text)
	}
	if len(t) > 1 && t[0] == '0' {
		return 0, fmt.Errorf("%q has a leading zero, which some tools read as octal; write %d", text, n)
	}
	if a, table, ok := Reference(n); ok {
		also := ""
		if n <= 65535 {
			also = fmt.Sprintf("; if the device truly counts up to %d, write 0x%X", n, n)
		}
		return 0, fmt.Errorf("%d looks like a manual's reference number; write table %s and address %d%s", n, table, a, also)
	}
	if n > 65535 {
		return 0, fmt.Errorf("%d is beyond the last address, 65535", n)
	}
	return n, nil
}
