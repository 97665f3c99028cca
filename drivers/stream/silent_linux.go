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

// unacknowledged returns how many bytes the peer's network has not acknowledged (SIOCOUTQ, tcp(7)). A connection that has been
// reset keeps that number for ever: whoever has read to the end before hears of a reset in no other way.
func unacknowledged(conn syscall.RawConn) (bytes int, reset bool) {
	var info *unix.TCPInfo
	var asked error
	if err := conn.Control(func(fd uintptr) {
		if bytes, asked = unix.IoctlGetInt(int(fd), unix.SIOCOUTQ); asked == nil && bytes > 0 {
			info, asked = unix.GetsockoptTCPInfo(int(fd), unix.IPPROTO_TCP, unix.TCP_INFO)
		}
	}); err != nil || asked != nil {
		return 0, false // reading or writing will tell
	}
	return bytes, info != nil && info.State == unix.BPF_TCP_CLOSE
}
