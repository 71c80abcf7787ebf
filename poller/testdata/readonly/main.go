// Command readonly links the poller beside packages that call methods by name, as the real program does. A test looks
// into it for the write methods of the Modbus client.
package main

import (
	"context"
	"html/template"
	"os"

	"ringwarden/fleet"
	"ringwarden/poller"
)

type sink struct{}

func (sink) Put(*fleet.Frame) {}

func main() {
	p := poller.New(poller.Config{}, sink{})
	p.Update(nil, fleet.Periods{})
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err := poller.Read(ctx, poller.Config{}, poller.Device{})
	if run := p.Run(ctx); err == nil {
		err = run
	}
	_ = template.Must(template.New("").Parse("{{.Error}}\n")).Execute(os.Stdout, err)
}
