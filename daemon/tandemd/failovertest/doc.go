// Package failovertest takes over for real: three NATS servers, started from the files in deploy, and two daemons, each a
// process of its own, with drivers, people who hand in jobs, and somebody who kills, stops and cuts off.
//
// It holds tests only. They need Linux, and the partition needs the superuser, for network namespaces. Set
// TANDEM_FAILOVERS to a number to play that many failovers at random and print how long each takeover took, TANDEM_PARTITIONS
// to cut machines off that many times; TANDEM_SERVER names a nats-server to use, such as deploy/nats/build-server.sh makes.
package failovertest
