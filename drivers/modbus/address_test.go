package modbus

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestParseAddress(t *testing.T) {
	rows := []struct {
		text string
		want int
		says string // part of the refusal; empty when the address is taken
	}{
		{"0", 0, ""},
		{"107", 107, ""},
		{" 9999 ", 9999, ""},
		{"65535", 65535, ""},
		{"0x9C41", 40001, ""},
		{"0XFFFF", 65535, ""},
		{"40000", 40000, ""}, // no reference number: the first one is 40001
		{"012", 0, "write 12"},
		{"00", 0, "write 0"},
		{"40001", 0, "table holding and address 0; if the device truly counts up to 40001, write 0x9C41"},
		{"30009", 0, "table input and address 8"},
		{"10197", 0, "table discrete and address 196"}, // V1.1b3, 6.2: inputs from 197 are addressed from C4h
		{"400108", 0, "table holding and address 107"},
		{"65536", 0, "beyond"},
		{"0x10000", 0, "0xFFFF"},
		{"", 0, "not an address"},
		{"-1", 0, "not an address"},
		{"4x0001", 0, "not an address"},
		{"99999999999999999999", 0, "not an address"},
	}
	for _, r := range rows {
		t.Run(r.text, func(t *testing.T) {
			got, err := ParseAddress(r.text)
			if r.says != "" {
				require.ErrorContains(t, err, r.says)
				return
			}
			require.NoError(t, err)
			require.Equal(t, r.want, got)
		})
	}
}

func FuzzParseAddress(f *testing.F) {
	f.Fuzz(func(t *testing.T, text string) {
		n, err := ParseAddress(text)
		if err != nil {
			return
		}
		require.GreaterOrEqual(t, n, 0)
		require.LessOrEqual(t, n, 65535)
		require.False(t, strings.HasPrefix(strings.TrimSpace(text), "00"))
	})
}
