package main

import (
	"github.com/spf13/cobra"

	"ringwarden/alerts"
)

// What a shell offers when somebody presses the key that completes a word.

// choose lets a shell offer the words that a flag takes.
func choose(c *cobra.Command, flag string, words ...cobra.Completion) {
	if err := c.RegisterFlagCompletionFunc(flag, cobra.FixedCompletions(words, cobra.ShellCompDirectiveNoFileComp)); err != nil {
		panic(err) // the flag is not there, or has words already: a bug of ours that every start would show
	}
}

// kindWords are the kinds of alarm, each with what it is about.
func kindWords() []cobra.Completion {
	var words []cobra.Completion
	for _, k := range alerts.Kinds() {
		words = append(words, cobra.CompletionWithDesc(string(k.Kind), k.About))
	}
	return words
}

// placesHere are the places of the fleet file in this folder, if there is one: that on the command line comes later.
func placesHere() []cobra.Completion {
	f, err := loadFleet(nil)
	if err != nil {
		return nil
	}
	return places(f)
}
