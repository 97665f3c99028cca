package code_test

import (
	"fmt"

	"tandem/scheduler/code"
)

func Example() {
	printed := code.Format(code.Panel, 842)
	fmt.Println(printed)
	c, err := code.Parse("]C0" + printed + "\r")
	fmt.Println(c.Kind, c.Number, err)
	_, err = code.Parse("P0QT" + printed[4:])
	fmt.Println(err)
	// Output:
	// P0QSQ
	// panel 842 <nil>
	// "P0QTQ" was mistyped or misread: compare it with the print; mind 0 and O, 1 and I
}
