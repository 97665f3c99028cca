package signal

import (
	"net"
	"slices"
	"sync/atomic"
	"testing"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"tandem/drivers"
	"tandem/drivers/drivertest"
	tandemv1 "tandem/proto/tandem/v1"
)

// server speaks as much of MQTT 3.1.1 as a watcher asks for: it answers every subscription with what says tells.
type server struct {
	t        *testing.T
	listener net.Listener
	says     func(topic string, subscribed int) []said // for the first subscription of a topic 1
	answered atomic.Int32                              // subscriptions
}

type said struct {
	payload  string
	retained bool
}

func serve(t *testing.T, says func(topic string, subscribed int) []said) *server {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = listener.Close() })
	s := &server{t: t, listener: listener, says: says}
	go func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			go s.speak(conn)
		}
	}()
	return s
}

func (s *server) speak(conn net.Conn) {
	defer conn.Close()
	subscribed := map[string]int{}
	for {
		packet, err := packets.ReadPacket(conn)
		if err != nil {
			return
		}
		var answers []packets.ControlPacket
		switch p := packet.(type) {
		case *packets.ConnectPacket:
			answers = append(answers, packets.NewControlPacket(packets.Connack))
		case *packets.PingreqPacket:
			answers = append(answers, packets.NewControlPacket(packets.Pingresp))
		case *packets.SubscribePacket:
			ack := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
			ack.MessageID, ack.ReturnCodes = p.MessageID, []byte{0}
			answers = append(answers, ack)
			topic := p.Topics[0]
			subscribed[topic]++
			for _, word := range s.says(topic, subscribed[topic]) {
				m := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
				m.TopicName, m.Payload, m.Retain = topic, []byte(word.payload), word.retained
				answers = append(answers, m)
			}
		}
		for _, a := range answers {
			if err := a.Write(conn); err != nil {
				return
			}
		}
		if _, ok := packet.(*packets.SubscribePacket); ok {
			s.answered.Add(1)
		}
	}
}

// watch runs a watcher of the server.
func (s *server) watch(given map[string]string) *drivertest.Watched {
	s.t.Helper()
	given["broker"] = "tcp://" + s.listener.Addr().String()
	return drivertest.Watch(s.t, made(s.t, given))
}

// TestServerThatRemembersLate has a server that has just started: it does not know yet what it retains when it is asked first.
func TestServerThatRemembersLate(t *testing.T) {
	s := serve(t, func(_ string, subscribed int) []said {
		if subscribed == 1 {
			return nil
		}
		return []said{{"fault", true}}
	})
	s.watch(map[string]string{"topic": "light", "fault-after": "0s"}).Until("asked again", tandemv1.DeviceState_DEVICE_STATE_STOPPED)
	if n := s.answered.Load(); n != 2 {
		t.Errorf("the topic was subscribed to %d times, want 2", n)
	}
}

// TestRetainedIsOlder has a server send what it retains after what is said now.
func TestRetainedIsOlder(t *testing.T) {
	s := serve(t, func(string, int) []said {
		return []said{{"running", false}, {"fault", true}, {"idle", false}}
	})
	shown := s.watch(map[string]string{"topic": "light", "running-after": "0s", "idle-after": "0s", "fault-after": "0s"}).Until("said last", tandemv1.DeviceState_DEVICE_STATE_IDLE)
	if slices.ContainsFunc(shown, func(v drivers.Seen) bool { return v.State == tandemv1.DeviceState_DEVICE_STATE_STOPPED }) {
		t.Errorf("it shows %+v, want nothing of the fault that was over", shown)
	}
}

// TestManyRetained has every source retain something while the others are still subscribed to.
func TestManyRetained(t *testing.T) {
	s := serve(t, func(topic string, _ int) []said {
		if topic == "fault" {
			return []said{{"on", true}}
		}
		return []said{{"off", true}, {"off", false}, {"off", false}, {"off", false}}
	})
	s.watch(map[string]string{"topic": "light", "running-topic": "running", "fault-topic": "fault", "fault-after": "0s"}).Until("all subscribed to", tandemv1.DeviceState_DEVICE_STATE_STOPPED)
}
