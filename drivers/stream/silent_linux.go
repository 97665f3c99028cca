package stream

import (
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// silent says whether a peer has acknowledged nothing for some time although it was asked (TCP_INFO, tcp(7)): a cable that
// is pulled out while a file is sent is noticed then, and not after a quarter of an hour. A device that is busy and takes
// no bytes still answers the probes of its closed window, so it is not silent. TCP_USER_TIMEOUT would not tell them apart.
func silent(conn syscall.RawConn, lostAfter time.Duration) bool {
	var info *unix.TCPInfo
	var asked error
	if err := conn.Control(func(fd uintptr) {
		info, asked = unix.GetsockoptTCPInfo(int(fd), unix.IPPROTO_TCP, unix.TCP_INFO)
	}); err != nil || asked != nil {
		return false // reading or writing will tell
	}
	return unanswered(info, lostAfter)
}

func unanswered(info *unix.TCPInfo, lostAfter time.Duration) bool {
	const asked = 2 // times without an answer; one may be on its way
	return (info.Retransmits >= asked || info.Probes >= asked) && time.Duration(info.Last_ack_recv)*time.Millisecond >= lostAfter
}

// unacknowledged returns how many bytes the peer's network has not acknowledged (SIOCOUTQ, tcp(7)).
func unacknowledged(conn syscall.RawConn) int {
	var bytes int
	var asked error
	if err := conn.Control(func(fd uintptr) { bytes, asked = unix.IoctlGetInt(int(fd), unix.SIOCOUTQ) }); err != nil || asked != nil {
		return 0 // reading or writing will tell
	}
	return bytes
}
