package page

import (
	_ "embed"
	"net/http"
)

// openAPI describes the API (OpenAPI 3.1). A test holds every answer against it.
//
//go:embed openapi.json
var openAPI []byte

func (s *Server) openAPI(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.Header().Set("Cache-Control", "no-cache")
	w.Write(openAPI)
}
