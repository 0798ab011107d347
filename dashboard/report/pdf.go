package report

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"time"
)

// browsers are programs that print a page to PDF without a window, by the names
// that they are installed under.
var browsers = []string{
	"chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "microsoft-edge", "chrome", "msedge",
	"/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
	"/Applications/Chromium.app/Contents/MacOS/Chromium",
	`C:\Program Files\Google\Chrome\Application\chrome.exe`,
	`C:\Program Files (x86)\Microsoft\Edge\Application\msedge.exe`,
}

// printTime is how long a browser may take; on a slow machine it takes seconds.
const printTime = 2 * time.Minute

// ErrNoBrowser is returned where no browser is installed that can print.
var ErrNoBrowser = errors.New("no browser that prints to PDF was found; install Chromium, or write --html and print that")

// PDF has an installed browser print the report, and writes what it printed.
func (r *Report) PDF(ctx context.Context, w io.Writer) error {
	browser := ""
	for _, name := range browsers {
		if path, err := exec.LookPath(name); err == nil {
			browser = path
			break
		}
	}
	if browser == "" {
		return ErrNoBrowser
	}
	dir, err := os.MkdirTemp("", "loomproof-print-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	page, pdf := filepath.Join(dir, "report.html"), filepath.Join(dir, "report.pdf")
	f, err := os.Create(page)
	if err != nil {
		return err
	}
	if err := errors.Join(r.HTML(f), f.Close()); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, printTime)
	defer cancel()
	args := []string{"--headless", "--disable-gpu", "--no-first-run", "--no-pdf-header-footer", "--user-data-dir=" + filepath.Join(dir, "profile"), "--print-to-pdf=" + pdf}
	if os.Geteuid() == 0 {
		args = append(args, "--no-sandbox") // it refuses root otherwise; the page is our own file, without scripts
	}
	address := url.URL{Scheme: "file", Path: filepath.ToSlash(page)}
	if said, err := exec.CommandContext(ctx, browser, append(args, address.String())...).CombinedOutput(); err != nil {
		return fmt.Errorf("%s could not print: %w: %.200s", browser, err, said)
	}
	printed, err := os.Open(pdf)
	if err != nil {
		return fmt.Errorf("%s printed nothing", browser)
	}
	defer printed.Close()
	_, err = io.Copy(w, printed)
	return err
}
