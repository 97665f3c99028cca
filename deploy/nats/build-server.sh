#!/bin/sh
# Builds nats-server as it is, but for how soon its servers miss one another: a server that leads a stream and is lost is
# replaced within about 4 s instead of 4 to 9 s. nats-server has no setting for it.
#
#   sh deploy/nats/build-server.sh FILE      run it in this source tree; it needs Go, and the version that go.mod names
#
# Use it on all three servers or on none. On machines that are often busy for seconds on end it makes servers miss one that
# is merely slow; that loses nothing, but each time nothing is stored for a moment.
set -eu
out=${1:?give the file to write, such as /usr/local/bin/nats-server}
module=github.com/nats-io/nats-server/v2
source=$(go list -m -f '{{.Dir}}' "$module")/server/raft.go
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# change NAME FROM TO: the constant must be as it is known here.
change() {
	grep -q "^	$1 *= $2\$" "$source" || { echo "raft.go no longer says $1 = $2: look at what it says, and change this script" >&2; exit 1; }
	printf '%s\n' "s|^\(	$1 *= \)$2\$|\1$3|" >>"$work/edit"
}
change minElectionTimeoutDefault '4 \* time.Second' '1500 * time.Millisecond'
change maxElectionTimeoutDefault '9 \* time.Second' '3500 * time.Millisecond'
change hbIntervalDefault '1 \* time.Second' '400 * time.Millisecond'

cp -r "$(dirname "$(dirname "$source")")" "$work/nats-server"
chmod -R u+w "$work/nats-server"
sed -f "$work/edit" "$source" >"$work/nats-server/server/raft.go"
cp "$(go env GOMOD)" "$work/go.mod"
cp "$(dirname "$(go env GOMOD)")/go.sum" "$work/go.sum"
go mod edit -replace "$module=$work/nats-server" "$work/go.mod"
go build -modfile "$work/go.mod" -o "$out" "$module"
