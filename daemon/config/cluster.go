package config

import (
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
)

// credentialsFolder is where the passwords of a cluster's users are: where systemd.exec(5) puts those of LoadCredential=,
// else beside the settings.
func credentialsFolder(h Host) (string, error) {
	if given := h.env("CREDENTIALS_DIRECTORY"); given != "" {
		return given, nil
	}
	dir, err := settingsFolder.file(h, "credentials")
	if err != nil {
		return "", nil //nolint:nilerr // only a cluster needs it, and says so then
	}
	return dir, nil
}

// clusterSettings are those of a daemon that is one of several.
func clusterSettings() []setting {
	return []setting{
		{
			name: "cluster", preset: constant(""),
			usage: "addresses of the NATS servers that keep the ledger, nats:// on loopback or tls://, the nearest first, with commas;\n" +
				"drivers of other processes meet the daemon there, too, and bus-listen counts for nothing (default none: the daemon keeps it itself)",
			read: func(s *Settings, v string) error {
				for address := range strings.SplitSeq(v, ",") {
					if address = strings.TrimSpace(address); address != "" {
						s.Cluster = append(s.Cluster, address)
					}
				}
				return nil
			},
		},
		{
			name: "name", preset: constant(""),
			usage: "name of this daemon among those of a cluster, unlike any other's (needed with cluster)",
			read: func(s *Settings, v string) error {
				s.Name = v
				if v != "" && !tandemv1.ValidID(v) {
					return fmt.Errorf("is %s; use 1 to 63 lower-case letters, digits and dashes, no dash first", yamlfile.Quote(v))
				}
				return nil
			},
		},
		{
			name: "advertise", preset: constant(""),
			usage: "host:port at which clients reach this daemon when it leads, told by those that do not (default as listen)",
			read: func(s *Settings, v string) error {
				s.Advertise = v
				if v == "" {
					return nil
				}
				host, port, err := net.SplitHostPort(v)
				if n, bad := strconv.ParseUint(port, 10, 16); err != nil || bad != nil || n == 0 || host == "" {
					return fmt.Errorf("is %s; give host:port, such as floor-1:7431", yamlfile.Quote(v))
				}
				return nil
			},
		},
		{
			name: "credentials", path: true, preset: credentialsFolder,
			usage: "folder with the passwords of the cluster's users, in files ledger, daemon, driver and system, and the authority's ca.pem\n" +
				"(default where systemd puts credentials, else credentials in the settings folder)",
			read: func(s *Settings, v string) error {
				s.Credentials = v
				return nil
			},
		},
	}
}

// checkCluster looks at what one setting of a cluster asks of another.
func (s *Settings) checkCluster() error {
	if len(s.Cluster) == 0 {
		return nil
	}
	var problems []error
	if s.MQTTListen != "" {
		problems = append(problems, &SettingError{Name: "mqtt-listen", Origin: "given with cluster", Problem: "is " + s.MQTTListen + ", and this daemon has no server of its own; leave it out, and let sensors speak to an MQTT server elsewhere"})
	}
	if s.Name == "" {
		problems = append(problems, &SettingError{Name: "name", Origin: "needed with cluster", Problem: "is empty; give each daemon of the cluster a name of its own"})
	}
	if s.Credentials == "" {
		problems = append(problems, &SettingError{Name: "credentials", Origin: "needed with cluster", Problem: "is empty; give the folder with the passwords of the cluster's users"})
	}
	if s.Advertise == "" {
		if strings.HasSuffix(s.Listen, ":0") {
			problems = append(problems, &SettingError{Name: "advertise", Origin: "needed with cluster", Problem: "is empty, and listen has no fixed port; give the host:port at which clients reach this daemon"})
		}
		s.Advertise = s.Listen
	}
	return errors.Join(problems...)
}
