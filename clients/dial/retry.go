package dial

import (
	"context"
	"encoding/json"
	"iter"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	tandemv1 "tandem/proto/tandem/v1"
)

// keyFields are the fields by which the daemon knows a repeated request, in JobService, DeviceService and ScanService.
var keyFields = [...]protoreflect.Name{"request_id", "scan_id"}

// ServiceConfig returns the client's gRPC service config in JSON: the methods that may be retried, and how. The list
// comes from the contracts themselves, so a method that is added later is covered or left alone by the same rule.
func ServiceConfig() string { return serviceConfig("") }

// serviceConfig is ServiceConfig with a policy that chooses among several daemons by their health; empty: there is one.
func serviceConfig(policy string) string {
	type name struct {
		Service string `json:"service"`
		Method  string `json:"method"`
	}
	type retryPolicy struct {
		MaxAttempts          int      `json:"maxAttempts"`
		InitialBackoff       string   `json:"initialBackoff"`
		MaxBackoff           string   `json:"maxBackoff"`
		BackoffMultiplier    float64  `json:"backoffMultiplier"`
		RetryableStatusCodes []string `json:"retryableStatusCodes"`
	}
	type methodConfig struct {
		Name        []name      `json:"name"`
		RetryPolicy retryPolicy `json:"retryPolicy"`
	}
	type healthCheck struct {
		ServiceName string `json:"serviceName"`
	}
	var names []name
	for service := range contracts() {
		for i := range service.Methods().Len() {
			if method := service.Methods().Get(i); repeatable(method) {
				names = append(names, name{string(service.FullName()), string(method.Name())})
			}
		}
	}
	var balancing []map[string]struct{}
	var health *healthCheck
	if policy != "" {
		balancing, health = []map[string]struct{}{{policy: {}}}, &healthCheck{}
	}
	config, err := json.Marshal(struct {
		Balancing    []map[string]struct{} `json:"loadBalancingConfig,omitempty"`
		Health       *healthCheck          `json:"healthCheckConfig,omitempty"`
		MethodConfig []methodConfig        `json:"methodConfig"`
	}{balancing, health, []methodConfig{{names, retryPolicy{
		MaxAttempts:          4,
		InitialBackoff:       "0.2s",
		MaxBackoff:           "2s",
		BackoffMultiplier:    2,
		RetryableStatusCodes: []string{"UNAVAILABLE"},
	}}}})
	if err != nil {
		panic("encode the service config: " + err.Error())
	}
	return string(config)
}

// contracts yields the services of the API.
func contracts() iter.Seq[protoreflect.ServiceDescriptor] {
	return func(yield func(protoreflect.ServiceDescriptor) bool) {
		for _, file := range []protoreflect.FileDescriptor{
			tandemv1.File_tandem_v1_job_service_proto,
			tandemv1.File_tandem_v1_device_service_proto,
			tandemv1.File_tandem_v1_scan_service_proto,
			tandemv1.File_tandem_v1_event_service_proto,
			tandemv1.File_tandem_v1_admin_service_proto,
			tandemv1.File_tandem_v1_material_service_proto,
			tandemv1.File_tandem_v1_duration_service_proto,
			tandemv1.File_tandem_v1_forecast_service_proto,
			tandemv1.File_tandem_v1_plan_service_proto,
		} {
			for i := range file.Services().Len() {
				if !yield(file.Services().Get(i)) {
					return
				}
			}
		}
	}
}

// repeatable reports whether asking twice does no more than asking once.
func repeatable(m protoreflect.MethodDescriptor) bool {
	for _, verb := range []string{"Get", "List", "Watch", "Explain"} {
		if strings.HasPrefix(string(m.Name()), verb) {
			return true
		}
	}
	return keyField(m.Input()) != nil
}

func keyField(m protoreflect.MessageDescriptor) protoreflect.FieldDescriptor {
	for _, name := range keyFields {
		if field := m.Fields().ByName(name); field != nil && field.Kind() == protoreflect.StringKind {
			return field
		}
	}
	return nil
}

// keyed gives a request without a key a fresh one, before any attempt: a change without a key could be done twice by a
// retry. The caller's message is left as it is.
func keyed(ctx context.Context, method string, req, reply any, cc *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
	if m, ok := req.(proto.Message); ok {
		if field := keyField(m.ProtoReflect().Descriptor()); field != nil && m.ProtoReflect().Get(field).String() == "" {
			m = proto.Clone(m)
			m.ProtoReflect().Set(field, protoreflect.ValueOfString(NewKey()))
			req = m
		}
	}
	return invoke(ctx, method, req, reply, cc, opts...)
}
