package api

// versionRoutes are the routes by which versions of documents are compared and restored.
func versionRoutes() []route {
	version := func(name, about string) param {
		return param{name, "query", about, map[string]any{"type": "integer", "minimum": 1}}
	}
	diff := func(path, name, what string, handle func(*call) error, more ...param) route {
		return route{
			method: "GET", path: path + "/diff", name: name, group: "Documents", summary: "Compare two versions of the " + what, scopes: readers, long: what == "products",
			params: append([]param{
				version("from", "The older version. Default: the one before the other."), version("to", "The newer version. Default: the newest."),
			}, more...),
			answers: []answer{ok("What differs; nothing but the versions if nothing does.", DocumentDiff{})}, codes: []Code{codeUnknownDocument}, handle: handle,
		}
	}
	restore := func(path, name, what string, allSites bool, handle func(*call) error) route {
		codes := []Code{codeUnknownDocument, codeInvalidJSON, codeVersionMismatch, codeConflict}
		if what != "products" { // no version of them was ever stored that is not valid for ever
			codes = append(codes, codeInvalidDocument)
		}
		return route{
			method: "POST", path: path + "/restore", name: name, group: "Documents", summary: "Go back to an earlier version of the " + what,
			about:  "Stores the old content as a new version, if it is still valid: versions are never taken away. Nothing is stored if the newest version has this content already.",
			scopes: author, allSites: allSites, keyed: true, long: what == "products", params: []param{ifMatch}, body: inJSON(RestoreRequest{}),
			answers: []answer{ok("Restored.", Restored{})},
			codes:   codes, handle: handle,
		}
	}
	const layoutPath = "/v1/sites/{site}/layout"
	return []route{
		diff(layoutPath, "diffLayout", "layout", (*call).diffLayout),
		restore(layoutPath, "restoreLayout", "layout", false, (*call).restoreLayout),
		diff("/v1/products", "diffProducts", "products", (*call).diffProducts,
			param{"limit", "query", "How many products to list at most.", map[string]any{"type": "integer", "minimum": 1, "maximum": diffLimitMax, "default": diffLimit}}),
		restore("/v1/products", "restoreProducts", "products", true, (*call).restoreProducts),
		diff("/v1/rules", "diffRules", "rules", (*call).diffRules),
		restore("/v1/rules", "restoreRules", "rules", true, (*call).restoreRules),
		diff("/v1/channels", "diffChannels", "channels", (*call).diffChannels),
		restore("/v1/channels", "restoreChannels", "channels", true, (*call).restoreChannels),
	}
}

// configurationRoutes are the routes by which the documents are handled as one whole.
func configurationRoutes() []route {
	const group = "Configuration"
	return []route{
		{
			method: "GET", path: "/v1/configuration", name: "getConfiguration", group: group, summary: "List the documents of the configuration, as of one moment",
			about:  "Their texts are at their own routes, by version. The ETag stands for all versions together. Layouts are those of the key's sites.",
			scopes: readers, answers: []answer{ok("The documents.", ConfigurationList{})}, handle: (*call).getConfiguration,
		}, {
			method: "POST", path: "/v1/configuration/plan", name: "planConfiguration", group: group, summary: "Say what applying documents would do",
			about:  "Everything is checked as it would be afterwards. The ETag of the answer, as If-Match, makes sure that what is applied is what was planned.",
			scopes: readers, allSites: true, long: true, body: inJSON(ConfigurationRequest{}),
			answers: []answer{ok("The plan; errors are an answer too.", ConfigurationPlan{})}, handle: (*call).planConfiguration,
		}, {
			method: "POST", path: "/v1/configuration", name: "applyConfiguration", group: group, summary: "Store documents that belong together, all or none",
			about: "In one step, and only if all are valid together and everything that they were checked against is still as it was. Documents that are as they should be get no new version; those that are not sent stay. " +
				"Each site learns of all of them at once.",
			scopes: author, allSites: true, long: true, keyed: true, params: []param{paramNote, ifMatch}, body: inJSON(ConfigurationRequest{}),
			answers: []answer{ok("What was stored.", ConfigurationApplied{})}, codes: []Code{codeInvalidDocument, codeInvalidJSON, codeVersionMismatch, codeConflict}, handle: (*call).applyConfiguration,
		},
	}
}
