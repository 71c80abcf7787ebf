package alerts_test

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ringwarden/alerts"
)

// KINDS.md is what people read who write rules: it must be what the code does. -update writes it anew.
func TestKindsPage(t *testing.T) {
	var b strings.Builder
	b.WriteString("# Kinds of alarm\n\nWhat each one means and the numbers that rules of the fleet file may change. `go test ./alerts -run KindsPage -update` writes\n" +
		"this page from the detectors' own tables.\n")
	for _, k := range alerts.Kinds() {
		fmt.Fprintf(&b, "\n## %s\n\nRaised on a %s when %s. Priority %s; on-delay %s, off-delay %s.\n", k.Kind, k.Subject, k.About, k.Priority, delay(k.OnDelay), delay(k.OffDelay))
		if len(k.Thresholds) == 0 {
			continue
		}
		b.WriteString("\n| threshold | default | from | to | why |\n| --- | --- | --- | --- | --- |\n")
		for _, th := range k.Thresholds {
			unit := string(th.Unit)
			if unit != "" {
				unit = " " + unit
			}
			why := th.Why
			if th.Below != "" {
				why += "; must be below `" + th.Below + "`"
			}
			fmt.Fprintf(&b, "| `%s` | %s%s | %s | %s | %s |\n", th.Name, plain(th.Default), unit, plain(th.Min), plain(th.Max), why)
		}
	}
	got := b.String()
	if *update {
		if err := os.WriteFile("KINDS.md", []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile("KINDS.md")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("KINDS.md is not what the detectors say (-page +code):\n%s", diff)
	}
}

func plain(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func delay(d time.Duration) string {
	if d == 0 {
		return "none"
	}
	return short(d)
}
