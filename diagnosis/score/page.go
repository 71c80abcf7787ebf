package score

import (
	_ "embed" // for the notes
	"fmt"
	"strings"
)

// notes are what people wrote who looked at the misses.
//
//go:embed notes.md
var notes string

// Page returns the figures as a page in Markdown. The explanations are written by people who looked at the misses.
func (c *Card) Page() string {
	var b strings.Builder
	b.WriteString("# Judgement, measured\n\n`make score` writes this page: how well the detectors and the diagnosis judge made-up histories of rings. ")
	b.WriteString("The model that makes them up (package `diagnosis/score`) shares no code with what it judges. ")
	b.WriteString("A tenth as many other histories are held against the same bars by `go test ./diagnosis/score`, with their sampling error allowed for.\n\n")
	fmt.Fprintf(&b, "%d histories with %d frames and %d second looks beside them; %.1f ring-years of them healthy. Seeds: %s. The same seeds give the same figures.\n\n",
		c.Stories, c.Frames, c.Looks, c.Years, c.Seeds)
	b.WriteString("| bar | value | 95 % interval | tried | wanted | |\n| --- | --- | --- | --- | --- | --- |\n")
	for _, bar := range c.Bars {
		i := bar.Interval()
		verdict := "met"
		if !bar.Holds() {
			verdict = "**missed**"
		}
		fmt.Fprintf(&b, "| %s | %.4g %s | %.4g to %.4g | %.4g | %s | %s |\n", bar.Name, bar.Value(), bar.Unit, i.Low, i.High, bar.Of, bar.Wanted(), verdict)
	}
	b.WriteString("\n")
	c.writeReliability(&b)
	c.writeFaults(&b)
	c.writeHunts(&b)
	b.WriteString(notes + "\n")
	c.writeMisses(&b)
	return b.String()
}

func (c *Card) writeMisses(b *strings.Builder) {
	b.WriteString("## Misses\n\nThe first few of each bar that was missed at all; `score.NewStory` plays them again.\n\n")
	for _, bar := range c.Bars {
		if len(bar.Misses) == 0 {
			continue
		}
		fmt.Fprintf(b, "- %s\n", bar.Name)
		for _, m := range bar.Misses[:min(4, len(bar.Misses))] {
			fmt.Fprintf(b, "  - %s\n", m)
		}
	}
}

func (c *Card) writeReliability(b *strings.Builder) {
	b.WriteString("## Reliability\n\nSuspects by the probability that they were given, asked 1, 3, 7 and 15 minutes after the fault, after each of the first three calls, and at the end; in healthy rings as well.\n\n")
	b.WriteString("| given | suspects | said on average | right |\n| --- | --- | --- | --- |\n")
	for i, d := range c.Reliable {
		if d.Given > 0 {
			fmt.Fprintf(b, "| %d to %d %% | %.0f | %.1f %% | %.1f %% |\n", 10*i, 10*i+10, d.Given, 100*d.Said/d.Given, 100*d.Right/d.Given)
		}
	}
	b.WriteString("\n")
}

func (c *Card) writeFaults(b *strings.Builder) {
	b.WriteString("## By fault and map\n\nHow often what is wrong came first when the story ended; of healthy rings, how often it was likelier than not that nothing is wrong.\n\n")
	b.WriteString("| fault, map | right | 95 % interval | of |\n| --- | --- | --- | --- |\n")
	for _, f := range c.Faults {
		i := f.Interval()
		fmt.Fprintf(b, "| %s | %.1f %% | %.1f to %.1f | %.0f |\n", f.Name, f.Value(), i.Low, i.High, f.Of)
	}
	b.WriteString("\n")
}
