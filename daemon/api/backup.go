package api

import (
	"bufio"
	"context"
	"crypto/sha256"
	"hash"
	"io"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	tandemv1 "tandem/proto/tandem/v1"
)

// BackupMaker writes a backup of everything up to this moment, and says what it holds; length and sum of the file are added.
type BackupMaker func(ctx context.Context, w io.Writer) (*tandemv1.BackupSummary, error)

// backupPart is how much of a backup is sent in one message, in bytes.
const backupPart = 256 << 10

// Backup implements AdminService. One at a time: it reads all of the ledger, and the floor needs the disk, too.
func (s *Server) Backup(_ *tandemv1.BackupRequest, stream grpc.ServerStreamingServer[tandemv1.BackupResponse]) error {
	if s.opt.Backup == nil {
		return withInfo(codes.FailedPrecondition, "NO_BACKUP", "this daemon has no ledger to make a backup of", nil)
	}
	select {
	case s.backingUp <- struct{}{}:
		defer func() { <-s.backingUp }()
	default:
		return withInfo(codes.ResourceExhausted, "BACKUP_UNDER_WAY", "another backup is being made: wait until it is done", nil)
	}
	out := &backupSender{stream: stream, sum: sha256.New()}
	parts := bufio.NewWriterSize(out, backupPart)
	summary, err := s.opt.Backup(stream.Context(), parts)
	if err == nil {
		err = parts.Flush()
	}
	if err != nil {
		return err
	}
	summary.Bytes, summary.Sha256 = out.bytes, out.sum.Sum(nil)
	return stream.Send(&tandemv1.BackupResponse{Payload: &tandemv1.BackupResponse_Summary{Summary: summary}})
}

// backupSender sends what is written to it.
type backupSender struct {
	stream grpc.ServerStreamingServer[tandemv1.BackupResponse]
	sum    hash.Hash
	bytes  int64
}

func (b *backupSender) Write(data []byte) (int, error) {
	for rest := data; len(rest) > 0; {
		part := rest[:min(len(rest), backupPart)]
		rest = rest[len(part):]
		// gRPC encodes the message before Send returns, so the buffer may be used again.
		if err := b.stream.Send(&tandemv1.BackupResponse{Payload: &tandemv1.BackupResponse_Data{Data: part}}); err != nil {
			return 0, err
		}
	}
	b.sum.Write(data)
	b.bytes += int64(len(data))
	return len(data), nil
}
