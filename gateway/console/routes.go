package console

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"encoding/json"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"

	"weighpost/gateway/health"
)

//go:embed page
var pageFiles embed.FS

func (s *Server) routes() http.Handler {
	mux := http.NewServeMux()
	servePage(mux)
	mux.HandleFunc("/live", s.serveLive)
	mux.HandleFunc("/healthz", s.serveHealth)
	mux.HandleFunc("/readyz", s.serveReady)
	mux.Handle("/metrics", s.metrics())
	return notFound(mux)
}

// notFound adds the answer for every address that has no other.
func notFound(mux *http.ServeMux) *http.ServeMux {
	mux.HandleFunc("/", func(w http.ResponseWriter, _ *http.Request) {
		problem(w, http.StatusNotFound, "There is nothing at this address", "The page is at /, what programs can ask at "+apiPrefix+"openapi.json.")
	})
	return mux
}

var contentTypes = map[string]string{
	".html": "text/html; charset=utf-8", ".css": "text/css; charset=utf-8",
	".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml",
}

// servePage adds the embedded files, each under its own name and index.html under /.
func servePage(mux *http.ServeMux) {
	files, err := fs.ReadDir(pageFiles, "page")
	if err != nil {
		panic(err) // the files are part of the program
	}
	for _, f := range files {
		b, err := pageFiles.ReadFile(path.Join("page", f.Name()))
		if err != nil {
			panic(err)
		}
		where := "/" + f.Name()
		if f.Name() == "index.html" {
			where = "/{$}"
		}
		sum := sha256.Sum256(b)
		tag := `"` + hex.EncodeToString(sum[:8]) + `"`
		mux.HandleFunc(where, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", contentTypes[path.Ext(f.Name())])
			w.Header().Set("Cache-Control", "no-cache")
			w.Header().Set("ETag", tag)
			http.ServeContent(w, r, "", time.Time{}, strings.NewReader(string(b)))
		})
	}
}

func writeJSON(w http.ResponseWriter, status int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		problem(w, http.StatusInternalServerError, "The answer cannot be written", err.Error())
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	w.Write(append(b, '\n'))
}

func (s *Server) serveHealth(w http.ResponseWriter, _ *http.Request) {
	writeJSON(w, http.StatusOK, struct {
		Alive   bool   `json:"alive"`
		Version string `json:"version"`
		Seconds int64  `json:"up_s"`
	}{true, s.deps.Version, int64(time.Since(s.started).Seconds())})
}

func (s *Server) serveReady(w http.ResponseWriter, _ *http.Request) {
	list, recording := s.conditions()
	status := http.StatusOK
	if !recording {
		status = http.StatusServiceUnavailable
	}
	writeJSON(w, status, struct {
		Ready      bool               `json:"ready"`
		Conditions []health.Condition `json:"conditions"`
	}{recording, list})
}
