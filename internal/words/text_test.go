package words

import "testing"

func TestBytes(t *testing.T) {
	// IEC 80000-13: 1 KiB is 1024 bytes, 1 MiB 1024 KiB, and so on.
	for n, want := range map[int64]string{0: "0 bytes", 1023: "1023 bytes", 1024: "1.0 KiB", 1536: "1.5 KiB",
		5 << 20: "5.0 MiB", 3 << 39: "1.5 TiB", 1 << 62: "4096.0 PiB"} {
		if got := For("en").Bytes(n); got != want {
			t.Errorf("%d: %q, want %q", n, got, want)
		}
	}
}

func TestAmount(t *testing.T) {
	for n, want := range map[int64]string{0: "0", 999: "999", 1000: "1\u202f000", 1234567: "1\u202f234\u202f567"} {
		if got := For("en").Amount(n); got != want {
			t.Errorf("%d: %q, want %q", n, got, want)
		}
	}
}

// TestOneSaidAsMany has the number 1 in messages that say one and many alike.
func TestOneSaidAsMany(t *testing.T) {
	for n, want := range map[int]string{1: "Ada 1×", 2: "Ada 2×"} {
		if got := For("en").Text("threshold-times", "Name", "Ada", "Count", n); got != want {
			t.Errorf("%d: %q, want %q", n, got, want)
		}
	}
}
