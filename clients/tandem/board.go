package main

import (
	"context"
	"errors"
	"net"
	"strings"

	"github.com/spf13/cobra"

	"tandem/clients/board"
)

func (a *app) boardCommand() *cobra.Command {
	var listen string
	c := board.Config{}
	cmd := &cobra.Command{
		Use:   "board",
		Short: "Serve the floor as web pages: for browsers, tablets, scanners and screens on the wall.",
		Example: `  tandem board                                    http://127.0.0.1:7480 on this computer
  tandem board --listen 192.0.2.7:7480            for the shop's network
  tandem board --listen :7480 --read-only         screens that only show
  tandem board --listen :7480 --station packing --station cutting --name board.shop.example`,
		Long: `Pages: / the floor, /wall for a screen on the wall, /scan?station=ID&device=ID for a barcode reader, /jobs/ID, /plan,
/compare. One watch of the daemon feeds all browsers. After the daemon or the board was away pages go on by themselves,
and say since when they are out of date.

Who may scan: whoever can open the address. The board asks nobody for a name; it hands scans in as a station does, with
the credentials that this program has, and people are told apart by their badges. Listen on a network only if everybody
on it may scan, else add --read-only, or put a server in front that asks who comes. The connection is not encrypted.

Browsers open it by an address, as localhost, by this computer's name or by a --name; other names are refused.`,
		Args: cobra.NoArgs,
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, _ []string) error {
		return a.board(cmd.Context(), listen, c)
	})
	flags := cmd.Flags()
	flags.StringVar(&listen, "listen", "127.0.0.1:7480", "address to listen at, HOST:PORT")
	flags.StringArrayVar(&c.Names, "name", nil, "further name under which browsers open it (may be repeated)")
	flags.StringArrayVar(&c.Stations, "station", nil, "take scans of this station only (may be repeated; default any)")
	flags.BoolVar(&c.ReadOnly, "read-only", false, "only show: take no scans, play no comparisons")
	return cmd
}

func (a *app) board(ctx context.Context, listen string, c board.Config) error {
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return usagef("--listen is %q: give HOST:PORT, such as 127.0.0.1:7480", listen)
	}
	conn, err := a.connect()
	if err != nil {
		return err
	}
	c.Conn, c.Zone, c.Now = conn, a.zone, a.now
	if a.host != "" {
		c.Names = append(c.Names, a.host, strings.ToLower(a.host)+".local")
	}
	b, err := board.New(c)
	if err != nil {
		return &usageError{err}
	}
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", listen)
	if err != nil {
		return err
	}
	a.say("the board is at http://%s", l.Addr())
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) && !c.ReadOnly {
		a.warn("whoever reaches this address can scan as a station of this floor; --read-only takes no scans")
	}
	if err := a.flush(); err != nil {
		return err
	}
	err = b.Serve(ctx, l)
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		return nil // ended by a signal, as it is meant to be
	}
	return err
}
