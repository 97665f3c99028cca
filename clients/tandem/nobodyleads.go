package main

import (
	"context"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"

	"tandem/clients/dial"
	tandemv1 "tandem/proto/tandem/v1"
)

// askEachWithin is how long each of several daemons is given to say why it does not lead.
const askEachWithin = 2 * time.Second

// nobodyLeads says, a line for each of several daemons, why it does not lead: a request waits for one that does, so its own error
// is only that the time is up. It is empty where there is one daemon, or where one leads.
func (a *app) nobodyLeads(ctx context.Context) []string {
	addresses := strings.Split(a.address, ",")
	if len(addresses) < 2 {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, askEachWithin)
	defer cancel()
	answers := make([]error, len(addresses))
	var asking sync.WaitGroup
	for i, address := range addresses {
		addresses[i] = strings.TrimSpace(address)
		asking.Go(func() { answers[i] = a.askAlone(ctx, addresses[i]) })
	}
	asking.Wait()
	lines := []string{"no daemon leads at this moment:"}
	for i, err := range answers {
		if err == nil {
			return nil
		}
		lines = append(lines, "  "+addresses[i]+": "+brief(err))
	}
	return lines
}

// askAlone asks one daemon how it is, whether it leads or not, and only once.
func (a *app) askAlone(ctx context.Context, address string) error {
	conn, err := dial.Open(dial.Config{Address: address, UserAgent: "tandem/" + programVersion(), Options: append(a.dialOptions, grpc.WithDisableRetry())})
	if err != nil {
		return err
	}
	defer conn.Close()
	_, err = tandemv1.NewAdminServiceClient(conn).GetStatus(ctx, &tandemv1.GetStatusRequest{})
	return err
}
