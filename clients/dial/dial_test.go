package dial

import (
	"context"
	"encoding/json"
	"net"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	tandemv1 "tandem/proto/tandem/v1"
)

func TestServiceConfigNamesWhatMayBeRepeated(t *testing.T) {
	var config struct {
		MethodConfig []struct {
			Name        []struct{ Service, Method string }
			RetryPolicy struct {
				MaxAttempts          int
				RetryableStatusCodes []string
			}
		}
	}
	if err := json.Unmarshal([]byte(ServiceConfig()), &config); err != nil {
		t.Fatal(err)
	}
	if len(config.MethodConfig) != 1 {
		t.Fatalf("%d method configs, want 1", len(config.MethodConfig))
	}
	policy := config.MethodConfig[0].RetryPolicy
	if policy.MaxAttempts != 4 || !slices.Equal(policy.RetryableStatusCodes, []string{"UNAVAILABLE"}) {
		t.Errorf("policy = %+v, want 4 attempts on UNAVAILABLE only", policy)
	}
	var got []string
	for _, n := range config.MethodConfig[0].Name {
		got = append(got, strings.TrimPrefix(n.Service, "tandem.v1.")+"/"+n.Method)
	}
	for _, want := range []string{
		"JobService/CreateJob", "JobService/ExplainStep", "JobService/RemakePieces", "DeviceService/StartRun",
		"ScanService/RecordScan", "EventService/WatchEvents", "AdminService/GetStatus",
	} {
		if !slices.Contains(got, want) {
			t.Errorf("%s is not retried", want)
		}
	}
	for _, n := range got {
		if strings.HasSuffix(n, "/") {
			t.Errorf("%s covers a whole service", n)
		}
	}
}

func TestChangesWithoutKeyAreNotRepeatable(t *testing.T) {
	// The standard health service is a stranger: Check is no read by its name and has no key.
	methods := healthpb.File_grpc_health_v1_health_proto.Services().ByName("Health").Methods()
	if repeatable(methods.ByName("Check")) {
		t.Error("a method without a key would be retried")
	}
	if !repeatable(methods.ByName("Watch")) {
		t.Error("a watch would not be retried")
	}
}

func TestOpenRefusesBadAddresses(t *testing.T) {
	for _, address := range []string{"", "localhost", ":7431", "host:", "host:0", "host:65536", "host:http", "http://host:7431", "unix:"} {
		if conn, err := Open(Config{Address: address}); err == nil {
			_ = conn.Close()
			t.Errorf("Open(%q) took the address", address)
		} else if !strings.Contains(err.Error(), `"`+address+`"`) {
			t.Errorf("Open(%q): error %q does not name the address", address, err)
		}
	}
	for _, address := range []string{DefaultAddress, "[::1]:7431", "shop.example:443", "unix:/run/tandem.sock"} {
		conn, err := Open(Config{Address: address})
		if err != nil {
			t.Errorf("Open(%q): %v", address, err)
			continue
		}
		_ = conn.Close()
	}
}

func TestNewKey(t *testing.T) {
	// RFC 9562 section 5.4: version 4 in the high bits of octet 6, variant 10 in those of octet 8.
	form := regexp.MustCompile(`^[0-9a-f]{8}-[0-9a-f]{4}-4[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$`)
	seen := map[string]bool{}
	for range 1000 {
		key := NewKey()
		if !form.MatchString(key) {
			t.Fatalf("%q is not a version 4 UUID", key)
		}
		if seen[key] {
			t.Fatalf("%q came twice", key)
		}
		seen[key] = true
	}
}

// shaky answers UNAVAILABLE a few times before it works, and keeps every key it was asked with.
type shaky struct {
	tandemv1.UnimplementedJobServiceServer
	mu     sync.Mutex
	refuse int
	code   codes.Code
	keys   []string
}

func (s *shaky) HoldJob(_ context.Context, r *tandemv1.HoldJobRequest) (*tandemv1.Job, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.keys = append(s.keys, r.GetRequestId())
	if len(s.keys) <= s.refuse {
		return nil, status.Error(s.code, "not now")
	}
	return &tandemv1.Job{Id: r.GetId()}, nil
}

func TestRetriesRepeatTheKey(t *testing.T) {
	tests := []struct {
		name      string
		refuse    int
		code      codes.Code
		requestID string
		attempts  int
		want      codes.Code
	}{
		{"back at the last attempt", 3, codes.Unavailable, "", 4, codes.OK},
		{"gives up after four", 9, codes.Unavailable, "mine", 4, codes.Unavailable},
		{"other errors are final", 9, codes.Aborted, "", 1, codes.Aborted},
		{"a timeout is final", 9, codes.DeadlineExceeded, "", 1, codes.DeadlineExceeded},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			server := &shaky{refuse: tt.refuse, code: tt.code}
			listener, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			g := grpc.NewServer()
			tandemv1.RegisterJobServiceServer(g, server)
			go func() { _ = g.Serve(listener) }()
			t.Cleanup(g.Stop)

			conn, err := Open(Config{Address: listener.Addr().String()})
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = conn.Close() })
			request := &tandemv1.HoldJobRequest{Id: "j1", RequestId: tt.requestID}
			_, err = tandemv1.NewJobServiceClient(conn).HoldJob(t.Context(), request)
			if status.Code(err) != tt.want {
				t.Errorf("error = %v, want code %v", err, tt.want)
			}
			if request.GetRequestId() != tt.requestID {
				t.Errorf("the caller's request was changed: %q", request.GetRequestId())
			}
			if len(server.keys) != tt.attempts {
				t.Fatalf("%d attempts, want %d", len(server.keys), tt.attempts)
			}
			for _, key := range server.keys {
				if key == "" || key != server.keys[0] || tt.requestID != "" && key != tt.requestID {
					t.Errorf("keys = %q, want one and the same", server.keys)
				}
			}
		})
	}
}
