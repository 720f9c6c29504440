package httpkit

import (
	"net/http"

	"github.com/labstack/echo/v4"
)

// Attachment answers a file that the browser saves under a name. The name is put into
// the header as it is: letters, digits, dots, hyphens and underscores.
func Attachment(c echo.Context, name, mediaType string, content []byte) error {
	c.Response().Header().Set(echo.HeaderContentDisposition, `attachment; filename="`+name+`"`)
	return c.Blob(http.StatusOK, mediaType, content)
}
