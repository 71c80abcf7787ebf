package notify

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"
	"strings"
	"unicode"
)

// secretSize bounds what a file with a secret may hold.
const secretSize = 4096

// readSecret returns what a file holds, without white space around it. It is read anew for each use, so that a secret
// can be changed while the program runs; no error repeats any of it.
func readSecret(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		var pathErr *fs.PathError
		if errors.As(err, &pathErr) {
			err = pathErr.Err
		}
		return "", fmt.Errorf("reading the secret in %s: %w", path, err)
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, secretSize+1))
	if err != nil {
		return "", fmt.Errorf("reading the secret in %s: %w", path, err)
	}
	s := strings.TrimSpace(string(b))
	switch {
	case s == "":
		return "", fmt.Errorf("reading the secret in %s: the file is empty", path)
	case len(b) > secretSize || strings.ContainsFunc(s, unicode.IsControl):
		return "", fmt.Errorf("reading the secret in %s: it must be one line", path)
	}
	return s, nil
}

// checkSecret says what is wrong with a file that holds a secret: it cannot be read, or by everybody.
func checkSecret(path string) error {
	if _, err := readSecret(path); err != nil {
		return err
	}
	info, err := os.Stat(path)
	if err == nil && runtime.GOOS != "windows" && info.Mode().Perm()&0o004 != 0 {
		return fmt.Errorf("every user of this machine can read the secret in %s; chmod o-rwx it, and take another secret", path)
	}
	return nil
}
