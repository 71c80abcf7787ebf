package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// What the pages tell people to type must exist: each command with each of its flags, each target of make.
func TestCommandsOfTheDocumentsExist(t *testing.T) {
	makefile, err := os.ReadFile("../../Makefile")
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	for _, page := range []string{"README.md", "DEVELOPERS.md", "deploy/README.md"} {
		for _, line := range typed(t, page) {
			words := shellWords(strings.TrimPrefix(line, "go run ./cmd/"))
			if len(words) == 0 {
				continue // a drawing
			}
			switch words[0] {
			case "ringwarden":
				checkCommand(t, page, words[1:])
			case "make":
				if len(words) > 1 && !regexp.MustCompile(`(?m)^`+words[1]+`:`).Match(makefile) {
					t.Errorf("%s: make has no target %q", page, words[1])
				}
			default:
				continue
			}
			checked++
		}
	}
	if checked < 10 {
		t.Errorf("only %d commands were found in the pages", checked)
	}
}

// typed returns the lines of a page's code blocks, without comments.
func typed(t *testing.T, page string) []string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", page))
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	inside := false
	for line := range strings.SplitSeq(string(text), "\n") {
		if strings.HasPrefix(line, "```") {
			inside = !inside
			continue
		}
		line, _, _ = strings.Cut(strings.TrimPrefix(line, "$ "), " #")
		if inside && strings.TrimSpace(line) != "" {
			lines = append(lines, line)
		}
	}
	return lines
}

// shellWords takes a line apart as a shell does that knows double quotes and stops at a redirection or a pipe.
func shellWords(line string) []string {
	var words []string
	for i, part := range strings.Split(line, `"`) {
		if i%2 == 1 {
			words = append(words, part)
			continue
		}
		part, _, stop := strings.Cut(strings.ReplaceAll(part, "|", ">"), ">")
		words = append(words, strings.Fields(part)...)
		if stop {
			break
		}
	}
	return words
}

func checkCommand(t *testing.T, page string, words []string) {
	t.Helper()
	a := &app{out: &bytes.Buffer{}, err: &bytes.Buffer{}}
	c, rest, err := a.command().Find(words)
	if err != nil || !c.Runnable() {
		t.Errorf("%s: ringwarden %s: no such command: %v", page, strings.Join(words, " "), err)
		return
	}
	if err := c.ParseFlags(rest); err != nil {
		t.Errorf("%s: ringwarden %s: %v", page, strings.Join(words, " "), err)
	}
	if c.Args != nil {
		if err := c.Args(c, c.Flags().Args()); err != nil {
			t.Errorf("%s: ringwarden %s: %v", page, strings.Join(words, " "), err)
		}
	}
}
