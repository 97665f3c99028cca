package main

import (
	"bytes"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"
)

// pictures are the files that a command draws.
type pictures struct{ svg, png string }

// flags adds --svg and --png; what is drawn is said in the help.
func (p *pictures) flags(cmd *cobra.Command, what string) {
	cmd.Flags().StringVar(&p.svg, "svg", "", "draw "+what+" into this file, as SVG")
	cmd.Flags().StringVar(&p.png, "png", "", "draw "+what+" into this file, as PNG")
}

// check refuses what is no file.
func (p *pictures) check(cmd *cobra.Command) error {
	for _, name := range []string{"svg", "png"} {
		if f := cmd.Flags().Lookup(name); f.Changed && (f.Value.String() == "" || f.Value.String() == "-") {
			return usagef("--%s is %q: give the name of a file", name, f.Value)
		}
	}
	return nil
}

// wanted reports whether there is something to draw.
func (p *pictures) wanted() bool { return p.svg != "" || p.png != "" }

// write draws the files that are wanted.
func (p *pictures) write(a *app, svg, png func(io.Writer) error) error {
	for _, picture := range []struct {
		file string
		draw func(io.Writer) error
	}{{p.svg, svg}, {p.png, png}} {
		if picture.file == "" {
			continue
		}
		var b bytes.Buffer
		if err := picture.draw(&b); err != nil {
			return fmt.Errorf("draw %s: %w", picture.file, err)
		}
		if err := os.WriteFile(picture.file, b.Bytes(), 0o644); err != nil {
			return fmt.Errorf("write the picture: %w", err)
		}
		a.say("%s: drawn", picture.file)
	}
	return nil
}
