package models

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"
)

// publisher is where the optional files were published, at the commit they were measured with. What the address holds
// cannot change without its name; the SHA-256 decides all the same.
const publisher = "https://raw.githubusercontent.com/minivision-ai/Silent-Face-Anti-Spoofing/" +
	"b6d5f04ad78778917853b25c778acef6d5626d15"

// patience is how long the publisher has for all files together: a machine without a way there must not wait for what
// Lintel can do without.
const patience = 10 * time.Second

// without is what lacking the optional files costs.
const without = "pictures held up to the bell are noticed far less often"

// fromPublisher tries to bring the files, and says how to do it by hand where it can't. That is no error.
func (f *fetcher) fromPublisher(ctx context.Context, want []File) {
	if len(want) == 0 {
		return
	}
	ctx, cancel := f.patience(ctx)
	defer cancel()
	var lacking []File
	var errs []error
	for _, file := range want {
		step := "downloading " + file.Name
		if err := f.get(ctx, file); err != nil {
			lacking, errs = append(lacking, file), append(errs, fmt.Errorf("%s: %w", step, err))
			continue
		}
		f.progress.done(step)
	}
	if len(lacking) > 0 {
		f.progress.say("%s", byHand(f.dir, f.publisher, lacking, errors.Join(errs...)))
	}
}

// get downloads one file and places it.
func (f *fetcher) get(ctx context.Context, file File) error {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, f.publisher+"/"+file.Path, nil)
	if err != nil {
		return err
	}
	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error {
		return errors.New("sent elsewhere, which is not followed")
	}}
	response, err := client.Do(request)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrDownload, err)
	}
	defer response.Body.Close()
	if response.StatusCode != http.StatusOK {
		return fmt.Errorf("%w: %s", ErrDownload, response.Status)
	}
	return f.place(file, response.Body)
}

// byHand says what is to be done about files that could not be fetched.
func byHand(dir, publisher string, lacking []File, cause error) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d optional model files could not be fetched:\n", len(lacking))
	fmt.Fprintf(&b, "  %s\n", strings.ReplaceAll(cause.Error(), "\n", "\n  "))
	fmt.Fprintf(&b, "Lintel works without them, but %s. By hand, put into %s\n", without, dir)
	for _, file := range lacking {
		fmt.Fprintf(&b, "  %s\n    %d bytes, SHA-256 %s\n", file.Name, file.Size, file.SHA256)
		fmt.Fprintf(&b, "    from %s/%s\n", publisher, file.Path)
	}
	b.WriteString("`lintel models check` confirms them.")
	return b.String()
}
