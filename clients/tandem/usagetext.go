package main

import (
	"unicode/utf8"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// checkText refuses flags and arguments that are not UTF-8, as a terminal that is set to another encoding sends them: no request can
// carry them. Names of files may be any bytes.
func checkText(cmd *cobra.Command, args []string) (err error) {
	cmd.Flags().VisitAll(func(f *pflag.Flag) {
		if err == nil && !namesFile(f.Name) && !utf8.ValidString(f.Value.String()) {
			err = usagef("--%s is not UTF-8: %q; set the terminal to UTF-8, or write it in plain letters", f.Name, f.Value)
		}
	})
	switch cmd.Name() {
	case "submit", "quote", "compare", "intake", "backup", // files
		"scan": // what a reader sent is handed in as it is
		return err
	}
	for _, arg := range args {
		if err == nil && !utf8.ValidString(arg) {
			err = usagef("argument %q is not UTF-8; set the terminal to UTF-8, or write it in plain letters", arg)
		}
	}
	return err
}

// namesFile reports whether a flag names a file or folder.
func namesFile(flag string) bool {
	switch flag {
	case "csv", "cut-root", "mix", "pdf", "png", "svg", "tickets":
		return true
	}
	return false
}
