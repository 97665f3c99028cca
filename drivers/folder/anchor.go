package folder

import (
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"tandem/drivers"
	"tandem/drivers/filejob"
)

// ReasonNotMounted is why a run cannot begin while the folder is not the one that it was.
const ReasonNotMounted = "x-share-not-mounted-error"

const anchorFile = "anchor.json"

// anchor is a file that is kept in the folder. A share that is not mounted leaves an empty folder in its place, in which
// every file looks removed; without its anchor a folder tells nothing, and nothing is dropped into it.
type anchor struct {
	Folder string `json:"folder"`
	Token  string `json:"token"` // what the file says
}

var errNoAnchor = errors.New("its anchor is not there")

func (m *machine) noAnchor() error {
	return fmt.Errorf("%s is not the folder that it was (%w): is the share mounted? If it is the right one, make an empty file %s in it, or set anchor to none",
		m.folder, errNoAnchor, m.anchorName)
}

// loadAnchor reads what was kept of the anchor.
func (m *machine) loadAnchor() error {
	if m.anchorName == "" || m.anchor.Folder != "" {
		return nil
	}
	body, err := drivers.LoadState(m.env.StateDir, anchorFile)
	if err != nil || body == nil {
		return err
	}
	if err := json.Unmarshal(body, &m.anchor); err != nil {
		return fmt.Errorf("%s is not what was kept of the folder's anchor, move it away: %w", anchorFile, err)
	}
	return nil
}

// anchored says whether the folder with these files is the one that it was.
func (m *machine) anchored(files []entry) (bool, error) {
	if m.anchorName == "" {
		return true, nil
	}
	said, listed, err := m.readAnchor(files)
	return listed && said != "" && said == m.anchor.Token && m.anchor.Folder == m.folder, err
}

func (m *machine) readAnchor(files []entry) (said string, listed bool, err error) {
	for _, f := range files {
		if strings.EqualFold(f.Name, m.anchorName) {
			body, err := m.share.read(m.path(m.anchorName), 256)
			return strings.TrimSpace(string(body)), true, err
		}
	}
	return "", false, nil
}

// dropAnchor makes the anchor where there is none yet, or where a person has made an empty one.
func (m *machine) dropAnchor(files []entry) error {
	if m.anchorName == "" {
		return nil
	}
	said, listed, err := m.readAnchor(files)
	if err != nil {
		return err
	}
	token := said
	switch first := m.anchor.Folder != m.folder; {
	case listed && said != "" && !first && said == m.anchor.Token:
		return nil
	case listed && said == "", first && !listed:
		token = rand.Text()
		if err := m.share.write(m.path(m.anchorName), []byte(token+"\n")); err != nil {
			return err
		}
	case first: // made by this driver when it had another data folder
	default:
		return &filejob.Trouble{Reason: ReasonNotMounted, Err: m.noAnchor()}
	}
	m.anchor = anchor{Folder: m.folder, Token: token}
	body, err := json.Marshal(m.anchor)
	if err != nil {
		return fmt.Errorf("write the anchor: %w", err)
	}
	return drivers.SaveState(m.env.StateDir, anchorFile, body)
}
