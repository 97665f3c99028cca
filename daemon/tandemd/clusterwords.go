package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tandem/daemon/ledger"
)

// codeNotClustered is an error code of the JetStream API that nats.go does not name; from the server's errors.json.
const codeNotClustered jetstream.ErrorCode = 10074 // replicas > 1 not supported in non-clustered mode

// withServersRemedy adds what people can do to an error that says only that the servers of a cluster have not done what was asked.
// lost is why the connection was lost last, if it was, and password the remedy for one that is wrong. What no cure is known for is
// left as it is.
func withServersRemedy(err error, connected bool, lost error, password string) error {
	var api jetstream.JetStreamError
	code := jetstream.ErrorCode(0)
	if errors.As(err, &api) && api.APIError() != nil {
		code = api.APIError().ErrorCode
	}
	switch {
	case !connected && errors.Is(lost, nats.ErrAuthorization):
		return fmt.Errorf("the servers have ended the connection and take none (%w): %s", lost, password)
	case !connected:
		return fmt.Errorf("not connected to any of the servers (%w): start them, or mend the network", errors.Join(err, lost))
	case code == codeNotClustered:
		return fmt.Errorf("%w: the server that was asked belongs to no cluster: give each of the three the block `cluster` of node.conf, with the routes to the others, and start them again", err)
	case code == ledger.CodeNoPeers:
		return fmt.Errorf("%w: the ledger is made when all three servers run: start those that are missing", err)
	case code == ledger.CodeClusterNotAvailable, errors.Is(err, context.DeadlineExceeded), errors.Is(err, nats.ErrTimeout), errors.Is(err, nats.ErrNoResponders),
		errors.Is(err, jetstream.ErrNoStreamResponse):
		return fmt.Errorf("%w: two of the three servers must run and reach one another, and all three before the ledger has been made: start those that are missing; "+
			"one whose disk or store was full takes part again once it has space (max_file_store) and was started anew", err)
	}
	return err
}
