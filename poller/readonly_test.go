package poller

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// The built program contains no write method of the Modbus client: what is not there cannot be called, by whatever
// path. The second program of testdata shows that the test would see them.
func TestProgramContainsNoWriteMethod(t *testing.T) {
	programs := map[string]bool{"./testdata/readonly": false, "./testdata/writes": true}
	if sources, _ := filepath.Glob("../cmd/ringwarden/*.go"); len(sources) > 0 {
		programs["../cmd/ringwarden"] = false
	} else if os.Getenv("CI") == "true" {
		t.Error("../cmd/ringwarden has no program to look into")
	} else {
		t.Log("left out: the program of ../cmd/ringwarden, which is not there")
	}
	for source, writes := range programs {
		t.Run(filepath.Base(source), func(t *testing.T) {
			t.Parallel()
			program := filepath.Join(t.TempDir(), "program")
			if out, err := exec.CommandContext(t.Context(), "go", "build", "-o", program, source).CombinedOutput(); err != nil {
				t.Fatalf("go build %s: %v\n%s", source, err, out)
			}
			out, err := exec.CommandContext(t.Context(), "go", "tool", "nm", program).CombinedOutput()
			if err != nil {
				t.Fatalf("go tool nm: %v\n%s", err, out)
			}
			symbols := string(out)
			if !strings.Contains(symbols, "simonvetter/modbus.(*ModbusClient).ReadRegisters") && !writes {
				t.Errorf("%s does not contain the client at all", source)
			}
			n := strings.Count(symbols, "ModbusClient).Write")
			if writes && n == 0 {
				t.Errorf("%s: no write method found, though the client is converted to an interface", source)
			}
			if !writes && n != 0 {
				t.Errorf("%s contains %d write methods of the Modbus client; some value that holds it is converted to an interface", source, n)
			}
		})
	}
}
