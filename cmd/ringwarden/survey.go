package main

import (
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"ringwarden/cmd/ringwarden/door"
	"ringwarden/fleet"
)

// reach says from when to when readings reach.
func reach(clocks siteClocks, oldest, newest time.Time) string {
	if oldest.IsZero() {
		return "no reading yet"
	}
	return "readings from " + clocks.show(oldest, "") + " to " + clocks.show(newest, "")
}

// bucketWords says what is in the parts of a database.
var bucketWords = map[string]string{
	"boot":  "which readings were packed since the machine was started",
	"books": "calls, steps of the clock, and what else is noted by the program", "changes": "changes of alarms",
	"chunks": "readings, packed", "coarse": "rollups of hours and days", "due": "days whose rollups are to be made",
	"fine": "rollups of five minutes", "journal": "readings, as they came", "layouts": "what the readings are of",
	"meanings": "what rollups are of, where a map changed",
	"moving":   "readings on their way to another time, after a step of the clock", "notes": "what people wrote down",
	"outbox": "messages that wait to be sent", "quarantine": "what was found damaged", "ringwarden": "what the file is",
	"standing": "alarms that stand", "states": "what the program wants back after a restart",
}

func printSurvey(w io.Writer, clocks siteClocks, v *door.Survey) {
	st := &v.Stat
	fmt.Fprintf(w, "%s: format %d, %s, of which %s are free to be used again\n", st.Path, st.Format, fleet.Size(st.Size), fleet.Size(st.Free))
	fmt.Fprintf(w, "made %s, %s\n", clocks.show(st.Created, ""), reach(clocks, st.Oldest, st.Newest))
	if st.Damaged > 0 {
		fmt.Fprintf(w, "%s met since the start; ringwarden store verify names those that are still in their place\n", count(int(min(st.Damaged, 1<<30)), "damaged record was", "damaged records were"))
	}
	if st.Quarantined > 0 {
		fmt.Fprintf(w, "%s left out, in quarantine; everything else can be read:\n", count(st.Quarantined, "damaged record is", "damaged records are"))
		for _, name := range v.Quarantine {
			fmt.Fprintf(w, "  %s\n", name)
		}
		if more := st.Quarantined - len(v.Quarantine); more > 0 {
			fmt.Fprintf(w, "  and %d more\n", more)
		}
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprint(t, "\nbucket\trecords\troom\t  holds\n")
	room := map[string]int64{}
	for _, b := range v.Usage.Buckets {
		fmt.Fprintf(t, "%s\t%d\t%s\t  %s\n", b.Name, b.Records, fleet.Size(b.Bytes), bucketWords[b.Name])
		room[b.Name] = b.Bytes
	}
	readings, folded, chunks := 0, 0, int64(0)
	fmt.Fprint(t, "\ncontroller\treadings\toldest\tnewest\t\n")
	for _, c := range v.Usage.Controllers {
		fmt.Fprintf(t, "%s\t%d\t%s\t%s\t\n", c.Controller, c.Readings, clocks.show(c.Oldest, fleet.Subject(c.Controller)), clocks.show(c.Newest, fleet.Subject(c.Controller)))
		readings += c.Readings
		folded += c.Folded
		chunks += c.Bytes
	}
	t.Flush()
	fmt.Fprintln(w)
	if readings > 0 {
		fmt.Fprintf(w, "%.2f bytes a reading, the whole file counted", float64(st.Size)/float64(readings))
		if folded > 0 {
			fmt.Fprintf(w, "; %.2f in chunks, which hold %.0f %% of the readings", float64(chunks)/float64(folded), 100*float64(folded)/float64(readings))
		}
		if tail := readings - folded; tail > 0 {
			fmt.Fprintf(w, "; %.2f in the journal", float64(room["journal"])/float64(tail))
		}
		fmt.Fprintln(w)
	}
}
