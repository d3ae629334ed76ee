package seal_test

import (
	"errors"
	"fmt"
	"log"

	"lintel/store/seal"
)

// What is sealed for one place opens there, and nowhere else.
func Example() {
	sealer, err := seal.NewSealer(seal.NewKey())
	if err != nil {
		log.Fatal(err)
	}
	name := sealer.Value([]byte("Tamsin Quill"), "persons.name", "7Q2K")
	fmt.Println(len("Tamsin Quill"), "bytes,", len(name)-seal.Overhead, "sealed")

	plain, err := sealer.OpenValue(name, "persons.name", "7Q2K")
	fmt.Printf("%s, %v\n", plain, err)

	_, err = sealer.OpenValue(name, "persons.name", "ANOTHER")
	fmt.Println("elsewhere:", errors.Is(err, seal.ErrOpen))
	// Output:
	// 12 bytes, 12 sealed
	// Tamsin Quill, <nil>
	// elsewhere: true
}

// Whoever destroys a still's wrapped key destroys the still, wherever copies of
// its file may be.
func ExampleSealer_Wrap() {
	sealer, err := seal.NewSealer(seal.NewKey())
	if err != nil {
		log.Fatal(err)
	}
	key := seal.NewKey()
	file, err := key.Seal([]byte("a JPEG picture"), "still", "visit", "0")
	if err != nil {
		log.Fatal(err)
	}
	slot := sealer.Wrap(key, "slot", "7")

	unwrapped, err := sealer.Unwrap(slot, "slot", "7")
	if err != nil {
		log.Fatal(err)
	}
	jpeg, err := unwrapped.Open(file, "still", "visit", "0")
	fmt.Printf("%s, %v\n", jpeg, err)

	clear(slot)
	_, err = sealer.Unwrap(slot, "slot", "7")
	fmt.Println("without its key:", errors.Is(err, seal.ErrOpen))
	// Output:
	// a JPEG picture, <nil>
	// without its key: true
}
