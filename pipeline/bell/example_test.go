package bell_test

import (
	"fmt"

	"lintel/internal/house"
	"lintel/pipeline/bell"
)

// A text goes in, and a screen comes out: lines as they will be seen, and codes for
// the controller.
func Example() {
	celsius := -3.4
	text := bell.Fill("Grüße!\n{time}, {temperature} °C", bell.Values{Time: "18:30", Celsius: &celsius})
	screen := bell.Draw(house.Display{Columns: 16, Rows: 2, ROM: house.ROMA00}, text)
	for _, line := range screen.Lines {
		fmt.Printf("|%s|\n", line)
	}
	fmt.Printf("% X\n", screen.Bytes[:16])

	screen = bell.Draw(house.Display{Columns: 16, Rows: 2, ROM: house.ROMA00}, "Café")
	fmt.Println(screen.Changes)
	// Output:
	// |     Grüße!     |
	// |  18:30, -3 °C  |
	// 20 20 20 20 20 47 72 F5 E2 65 21 20 20 20 20 20
	// [{é e}]
}
