package trial_test

import (
	"fmt"
	"log"
	"strings"

	"lintel/internal/trial"
)

// A list comes in that says whom each ring shows and how it was taken; labels for rings go out.
func ExampleReadLabels() {
	labels, err := trial.ReadLabels(strings.NewReader(`ring,person,condition
bona-fide/ada-01,ada,day
attack/print/ada-02,ada,night
`))
	if err != nil {
		log.Fatal(err)
	}
	for _, l := range labels {
		fmt.Println(l.Ring, "shows", l.Person, "by", l.Condition)
	}
	// Output:
	// bona-fide/ada-01 shows ada by day
	// attack/print/ada-02 shows ada by night
}
