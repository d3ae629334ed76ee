package service

import (
	"bufio"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
)

// Environment is what the service's processes have of settings, as NAME=value: where the archive and the models are,
// and what the household wrote into Settings.
func (p Plan) Environment() ([]string, error) {
	all := []string{"LINTEL_DATA=" + Data, "LINTEL_MODELS=" + Models, "LINTEL_CHANGES=" + Changes,
		"LINTEL_KEY_ORIGIN=" + Key}
	f, err := os.Open(p.real(Settings))
	if errors.Is(err, fs.ErrNotExist) {
		return all, nil
	}
	if err != nil {
		return nil, fmt.Errorf("reading the settings: %w", err)
	}
	defer f.Close()
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		line := strings.TrimSpace(lines.Text())
		if line == "" || strings.HasPrefix(line, "#") || strings.HasPrefix(line, ";") {
			continue
		}
		name, value, ok := strings.Cut(line, "=")
		if !ok {
			continue // as systemd does
		}
		value = strings.TrimSpace(value)
		if n := len(value); n > 1 && (value[0] == '"' || value[0] == '\'') && value[n-1] == value[0] {
			value = value[1 : n-1]
		}
		all = append(all, strings.TrimSpace(name)+"="+value)
	}
	return all, lines.Err()
}
