// Command writes makes the mistake that the poller must not make: it converts the Modbus client to an interface. A
// test looks into it to be sure that it would see the write methods if they were there.
package main

import (
	"html/template"
	"os"

	"github.com/simonvetter/modbus"
)

func main() {
	client, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://localhost:502"})
	if err != nil {
		return
	}
	_ = template.Must(template.New("").Parse("{{.Close}}\n")).Execute(os.Stdout, client)
}
