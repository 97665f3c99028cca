package api

import (
	"google.golang.org/grpc/encoding"
	encodingproto "google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/mem"
)

// encoded is a message in its wire form: made once, sent to any number of watchers. It must not be changed.
type encoded []byte

// codec is the standard one, and sends what is encoded already as it is.
type codec struct{ encoding.CodecV2 }

func newCodec() codec { return codec{encoding.GetCodecV2(encodingproto.Name)} }

// Marshal implements encoding.CodecV2.
func (c codec) Marshal(v any) (mem.BufferSlice, error) {
	if data, ok := v.(encoded); ok {
		return mem.BufferSlice{mem.SliceBuffer(data)}, nil
	}
	return c.CodecV2.Marshal(v)
}
