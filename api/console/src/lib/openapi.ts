// Made by go run ./api/console/build -types from the OpenAPI document with the SHA-256
// c6046fdcabcbe6f7ec8992f1b58945d40b1e84b6d3377208ba7f26a6f3cd5c55

export interface paths {
    "/epcis/capture": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["captureJobs"];
        put?: never;
        post: operations["capture"];
        delete?: never;
        options: operations["captureOptions"];
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/epcis/capture/{id}": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["captureJob"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/healthz": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["healthz"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/metrics": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["metrics"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/openapi.json": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["openapi"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/readyz": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["readyz"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/alerts": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listAlerts"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/alerts.csv": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listAlertsCSV"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/alerts.xlsx": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listAlertsXLSX"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/alerts/{id}": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["getAlert"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/alerts/{id}/acknowledge": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["acknowledgeAlert"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/alerts/{id}/close": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["closeAlert"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/alerts/{id}/comment": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["commentAlert"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/alerts/{id}/correct": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["correctAlert"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/backup": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["backup"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/channels": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["getChannels"];
        put: operations["putChannels"];
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/channels/diff": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["diffChannels"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/channels/health": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["channelsHealth"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/channels/preview": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["previewChannel"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/channels/restore": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["restoreChannels"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/channels/versions": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["channelVersions"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/channels/{name}/health": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["channelHealth"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/channels/{name}/recover": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["recoverChannel"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/channels/{name}/start": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["startChannel"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/channels/{name}/test": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["testChannel"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/configuration": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["getConfiguration"];
        put?: never;
        post: operations["applyConfiguration"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/configuration/plan": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["planConfiguration"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/deliveries": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listDeliveries"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/deliveries/{id}": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["getDelivery"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/deliveries/{id}/retry": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["retryDelivery"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/keys": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listKeys"];
        put?: never;
        post: operations["makeKey"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/keys/{name}": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post?: never;
        delete: operations["revokeKey"];
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/keys/{name}/rotate": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["rotateKey"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/products": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["getProducts"];
        put: operations["putProducts"];
        post: operations["mergeProducts"];
        delete?: never;
        options?: never;
        head?: never;
        patch: operations["patchProducts"];
        trace?: never;
    };
    "/v1/products/diff": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["diffProducts"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/products/restore": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["restoreProducts"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/products/versions": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["productVersions"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/rules": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["getRules"];
        put: operations["putRules"];
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/rules/check": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["checkRules"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/rules/diff": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["diffRules"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/rules/names": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["ruleNames"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/rules/quality": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["rulesQuality"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/rules/restore": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["restoreRules"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/rules/versions": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["ruleVersions"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/rules/{name}": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["getRule"];
        put: operations["putRule"];
        post?: never;
        delete: operations["deleteRule"];
        options?: never;
        head?: never;
        patch: operations["patchRule"];
        trace?: never;
    };
    "/v1/rules/{name}/cases": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["getCases"];
        put: operations["putCases"];
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/rules/{name}/check": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["checkRule"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/rules/{name}/diff": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["diffRule"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/rules/{name}/quality": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["ruleQuality"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/rules/{name}/trial": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["tryRule"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/rules/{name}/versions": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["ruleChanges"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sessions": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listSessions"];
        put?: never;
        post: operations["signIn"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sessions/current": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["getSession"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sessions/{id}": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post?: never;
        delete: operations["endSession"];
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sign-in": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["waysToSignIn"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sign-in/callback": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["finishSignIn"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sign-in/start": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["beginSignIn"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listSites"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/aside": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listAside"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/aside/{sequence}/retry": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["retryAside"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/count-accuracy": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["countAccuracy"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/count-accuracy.csv": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["countAccuracyCSV"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/count-plan": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["countsDue"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listCounts"];
        put?: never;
        post: operations["openCount"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["getCount"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/close": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["closeCount"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/differences": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["countDifferences"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/differences.csv": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["countDifferencesCSV"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/differences.html": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["countDifferencesPage"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/differences.xlsx": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["countDifferencesXLSX"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/discard": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["discardCount"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/items": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["countedItems"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/items.csv": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["countedItemsCSV"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/items.txt": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["countedItemsText"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/items.xlsx": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["countedItemsXLSX"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/missing": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["missingItems"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/missing.csv": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["missingItemsCSV"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/missing.txt": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["missingItemsText"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/missing.xlsx": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["missingItemsXLSX"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/pass": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["passCount"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/pause": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["pauseCount"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/reads": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["postCountReads"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/reopen": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["reopenCount"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/counts/{id}/resume": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["resumeCount"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/doors/{zone}/walktest": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["walkTest"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/events": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["postEvents"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/facts": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listFacts"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/facts.jsonl": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["exportFacts"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/facts/{id}/passage": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["getPassage"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/find": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["find"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/items": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listItems"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/items.csv": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["exportItemsCSV"];
        put?: never;
        post: operations["importItems"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/items.jsonl": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["exportItemsLines"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/items.xlsx": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["exportItemsXLSX"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/items/{epc}": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["getItem"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/items/{epc}/trail": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["itemTrail"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/layout": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["getLayout"];
        put: operations["putLayout"];
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/layout/diff": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["diffLayout"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/layout/restore": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["restoreLayout"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/layout/versions": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["layoutVersions"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/live": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["live"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/picks": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listPicks"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/picks.csv": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listPicksCSV"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/picks.html": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listPicksPage"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/picks.xlsx": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listPicksXLSX"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/read-points": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listReadPoints"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/reads": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["postReads"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/stock": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listStock"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/why": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["why"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    "/v1/sites/{site}/zones": {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get: operations["listZones"];
        put?: never;
        post?: never;
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
}
export interface webhooks {
    alert: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["alert"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
    channel: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        get?: never;
        put?: never;
        post: operations["channel"];
        delete?: never;
        options?: never;
        head?: never;
        patch?: never;
        trace?: never;
    };
}
export interface components {
    schemas: {
        AccuracyWeek: {
            counts: number;
            expected: number;
            item_accuracy: number;
            line_accuracy: number;
            lines: number;
            lines_right: number;
            matched: number;
            missing: number;
            names: string;
            unexpected: number;
            week: string;
            zones: string[];
        };
        AcknowledgeRequest: {
            note?: string;
        };
        ActAnswer: {
            alert?: components["schemas"]["AlertView"];
            processed: boolean;
            sequence: number;
        };
        ActView: {
            at: string;
            by: string;
            do: "acknowledge" | "close" | "comment" | "correct";
            note?: string;
            outcome?: "genuine" | "false" | "unclear";
        };
        AlertChangeView: {
            alert: components["schemas"]["AlertView"];
            change: "alert.opened" | "alert.gathered" | "alert.reminded" | "alert.escalated" | "alert.acknowledged" | "alert.cleared" | "alert.closed" | "alert.commented" | "alert.corrected";
        };
        AlertCloudEvent: {
            data: components["schemas"]["Message"];
            datacontenttype: string;
            id: string;
            order: number;
            source: string;
            specversion: "1.0";
            subject?: string;
            time: string;
            type: string;
        };
        AlertList: {
            alerts: components["schemas"]["AlertView"][];
            next?: string;
            notice: string;
        };
        AlertMessage: {
            data: components["schemas"]["Message"];
            timestamp: string;
            type: "alert.opened" | "alert.gathered" | "alert.reminded" | "alert.escalated" | "alert.acknowledged" | "alert.cleared" | "alert.closed" | "alert.commented" | "alert.corrected";
        };
        AlertView: {
            about: "item" | "stock" | "reader" | "count" | "zone" | "rule" | "storm";
            acknowledged_at?: string;
            acknowledged_by?: string;
            cause?: "arrived" | "left" | "passed" | "sold" | "returned" | "received" | "shipped" | "missing" | "found" | "retired" | "stock" | "counted" | "silent" | "heard" | "foreign" | "registered" | "doubled" | "overdue" | "caught_up" | "near" | "away" | "zone" | "other_shop";
            cleared_at?: string;
            closed_at?: string;
            closed_by?: string;
            count?: string;
            escalated_at?: string;
            fact?: string;
            first?: components["schemas"]["FirstView"];
            gathered?: string[];
            gathered_count?: number;
            gtin?: string;
            history?: components["schemas"]["ActView"][];
            id: string;
            item?: string;
            note?: string;
            notice: string;
            opened_at?: string;
            outcome?: "genuine" | "false" | "unclear";
            passage?: components["schemas"]["PassageView"];
            place?: string;
            reader?: string;
            reminders?: number;
            rule: string;
            rule_hash: string;
            say: string;
            severity: string;
            since?: string;
            site: string;
            status: "pending" | "open" | "acknowledged" | "cleared" | "closed";
            watch?: boolean;
            why?: unknown;
            zone?: string;
        };
        AlternativeView: {
            line: number;
            say?: string;
            say_in?: {
                [key: string]: string;
            };
            send?: string[];
            severity?: string;
            when: string;
        };
        Area: {
            height: number;
            width: number;
            x: number;
            y: number;
        };
        AsideList: {
            entries: components["schemas"]["AsideView"][];
        };
        AsideRetried: {
            sequence: number;
        };
        AsideView: {
            at: string;
            reason: string;
            retried_as?: number;
            sequence: number;
        };
        Assessment: {
            caution: string;
            coverage: number;
            distinct: number;
            expected: number;
            high: number;
            low: number;
            method: string;
            reason: string;
            unseen_at_least: number;
            usable: boolean;
            words: string;
        };
        BatchAnswer: {
            accepted: number;
            alerts?: components["schemas"]["AlertChangeView"][];
            complete?: boolean;
            facts?: components["schemas"]["FactView"][];
            processed?: boolean;
            rejected: components["schemas"]["Rejection"][];
            sequence: number | null;
        };
        BulkAnswer: {
            dry_run: boolean;
            moved: number;
            parts: number;
            processed: boolean;
            received: number;
            registered: number;
            retired: number;
            rows: number;
            sequence: number | null;
            shipped: number;
            sold: number;
            unchanged: number;
            warnings?: string[];
        };
        CaptureBody: Record<string, never>;
        CaptureJob: {
            captureErrorBehaviour: string;
            captureID: string;
            createdAt: string;
            errors: components["schemas"]["JobError"][];
            finishedAt?: string;
            "lintel:events": number;
            "lintel:moreNotes"?: number;
            "lintel:notes"?: components["schemas"]["CaptureNote"][];
            "lintel:parts": number;
            running: boolean;
            success: boolean;
        };
        CaptureNote: {
            ignored?: boolean;
            instance: string;
            reason: string;
        };
        CaseCoverage: {
            raised: number;
            rule: string;
            silent: number;
        };
        CaseFailure: {
            column: number;
            diff?: string[];
            hint?: string;
            line: number;
            reason: string;
        };
        CaseReport: {
            diagnostics?: components["schemas"]["Diagnostic"][];
            failed: number;
            file: string;
            passed: number;
            results?: components["schemas"]["CaseResult"][];
            rules?: components["schemas"]["CaseCoverage"][];
        };
        CaseResult: {
            column: number;
            failures?: components["schemas"]["CaseFailure"][];
            line: number;
            name: string;
            passed: boolean;
        };
        CasesSaved: {
            at: string;
            by: string;
            cases: components["schemas"]["CaseReport"];
            document: string;
            dry_run?: boolean;
            in_effect: boolean;
            note?: string;
            unchanged: boolean;
            version: number;
            warnings?: string[];
        };
        Changes: {
            lines_added?: number;
            lines_removed?: number;
            masked?: string[];
            products?: components["schemas"]["ProductChanges"];
            text?: string;
            truncated?: boolean;
        };
        Channel: {
            about_channels?: boolean;
            disabled?: boolean;
            escape?: "angle" | "html" | "markdown";
            format: "webhook" | "cloudevents" | "template";
            headers?: {
                [key: string]: string;
            };
            max_in_flight?: number;
            name: string;
            per_second?: number;
            secrets?: components["schemas"]["Secret"][];
            template?: unknown;
            timeout?: string;
            types?: string[];
            url: string;
            values?: {
                [key: string]: string;
            };
        };
        ChannelHealth: {
            channel: string;
            failing_since?: string;
            given_up: number;
            last_failure?: string;
            last_success?: string;
            reason?: string;
            state: "working" | "failing" | "stopped" | "disabled";
            stopped_at?: string;
            stopped_because?: "gone" | "failing";
            waiting: number;
            warnings?: number;
        };
        ChannelHealthList: {
            channels: components["schemas"]["ChannelHealth"][];
        };
        ChannelView: {
            channel: components["schemas"]["Channel"];
            health: components["schemas"]["ChannelHealth"];
        };
        Channels: {
            channels: components["schemas"]["Channel"][];
        };
        ChannelsSaved: {
            at: string;
            by: string;
            channels: components["schemas"]["Channel"][];
            document: string;
            in_effect: boolean;
            note?: string;
            unchanged: boolean;
            version: number;
            warnings?: string[];
        };
        CheckAnswer: {
            diagnostics: components["schemas"]["Diagnostic"][];
            ok: boolean;
            rules: components["schemas"]["RuleView"][];
            true_now?: components["schemas"]["TrueNow"][];
        };
        CloseRequest: {
            note?: string;
            outcome: "genuine" | "false" | "unclear";
        };
        Code: "alert_status" | "batch_too_large" | "body_too_large" | "busy" | "cases_failed" | "channel_stopped" | "conflict" | "count_blind" | "count_status" | "cross_origin" | "entry_unreadable" | "idempotency_in_progress" | "idempotency_mismatch" | "idempotency_outcome_unknown" | "internal" | "invalid_body" | "invalid_document" | "invalid_encoding" | "invalid_epcis" | "invalid_idempotency_key" | "invalid_identity" | "invalid_json" | "invalid_parameter" | "key_exists" | "last_admin" | "little_read" | "method_not_allowed" | "missing_scope" | "missing_site" | "no_backup" | "no_passage" | "no_provider" | "not_acceptable" | "not_aside" | "not_found" | "nothing_accepted" | "removal" | "store_full" | "timeout" | "too_many_sessions" | "too_many_streams" | "too_many_trials" | "unauthorized" | "unavailable" | "unknown_alert" | "unknown_capture" | "unknown_channel" | "unknown_count" | "unknown_delivery" | "unknown_document" | "unknown_fact" | "unknown_host" | "unknown_item" | "unknown_key" | "unknown_rule" | "unknown_session" | "unknown_site" | "unknown_zone" | "unsupported_encoding" | "unsupported_media_type" | "version_mismatch" | "zone_counted";
        CommentRequest: {
            note: string;
        };
        Configuration: {
            at: string;
            by: string;
            document: string;
            note?: string;
            version: number;
        };
        ConfigurationApplied: {
            at?: string;
            by: string;
            documents: components["schemas"]["Planned"][];
            in_effect: boolean;
            note?: string;
            stored: number;
        };
        ConfigurationList: {
            documents: components["schemas"]["Configuration"][];
        };
        ConfigurationPlan: {
            documents: components["schemas"]["Planned"][];
            ok: boolean;
            to_store: number;
        };
        ConfigurationRequest: {
            documents: components["schemas"]["ConfigurationText"][];
        };
        ConfigurationText: {
            document: string;
            media_type?: "text/csv" | "application/json";
            text: string;
        };
        CountAccuracy: {
            accuracy_notes: string;
            weeks: components["schemas"]["AccuracyWeek"][];
        };
        CountAnswer: {
            count?: components["schemas"]["CountDetail"];
            id: string;
            processed: boolean;
            sequence: number;
        };
        CountDetail: {
            advice?: string;
            assessment?: components["schemas"]["Assessment"];
            blind: boolean;
            by: string;
            caution: string;
            closed_at?: string;
            delivery: boolean;
            expected: number;
            fields?: {
                [key: string]: string;
            };
            final: boolean;
            id: string;
            missing_after: number;
            next?: "go_on" | "once_more" | "done";
            note?: string;
            only: boolean;
            opened_at: string;
            pass: number;
            progress?: components["schemas"]["CountProgress"];
            reads: number;
            result?: components["schemas"]["CountSummary"];
            status: "open" | "paused" | "closed" | "discarded";
            unique: number;
            zones: string[];
        };
        CountField: {
            choices?: string[];
            id: string;
            name?: string;
            required?: boolean;
            type: "text" | "number" | "choice";
        };
        CountList: {
            counts: components["schemas"]["CountView"][];
            next?: string;
        };
        CountProgress: {
            curve?: components["schemas"]["CurvePoint"][];
            found: number;
            in_passes?: components["schemas"]["Histogram"];
            new_per_second: number;
            over_seconds: number;
            passes_ended: number;
            quiet_seconds: number;
            reads_per_second: number;
            repeats?: components["schemas"]["Histogram"];
            sightings?: components["schemas"]["Histogram"];
        };
        CountRequest: {
            blind?: boolean;
            delivery?: components["schemas"]["DeliveryRequest"];
            fields?: {
                [key: string]: string;
            };
            missing_after: number;
            missing_of?: string;
            note?: string;
            zones: string[];
        };
        CountSummary: {
            accuracy_notes: string;
            closed_at: string;
            expected: number;
            item_accuracy: number;
            line_accuracy: number;
            lines: number;
            lines_right: number;
            matched: number;
            missing: number;
            unexpected: number;
        };
        CountView: {
            blind: boolean;
            by: string;
            closed_at?: string;
            delivery: boolean;
            expected: number;
            fields?: {
                [key: string]: string;
            };
            final: boolean;
            id: string;
            missing_after: number;
            note?: string;
            only: boolean;
            opened_at: string;
            pass: number;
            reads: number;
            status: "open" | "paused" | "closed" | "discarded";
            unique: number;
            zones: string[];
        };
        CountedItem: {
            expected?: boolean;
            gtin?: string;
            item: string;
            product?: components["schemas"]["ProductView"];
            zone?: string;
        };
        CountedItems: {
            count: string;
            items: components["schemas"]["CountedItem"][];
            next?: string;
        };
        Counts: {
            fields?: components["schemas"]["CountField"][];
            plan?: components["schemas"]["PlannedCount"][];
        };
        CountsDue: {
            at: string;
            counts: components["schemas"]["NightCount"][];
            from: string;
            progress: components["schemas"]["DueProgress"];
            until: string;
            zones: components["schemas"]["DueZone"][];
        };
        CurvePoint: {
            at: string;
            new: number;
            reads: number;
            seconds: number;
            total: number;
        };
        DeliveryList: {
            deliveries: components["schemas"]["DeliveryView"][];
            next?: string;
        };
        DeliveryRequest: {
            epcs?: string[];
            products?: components["schemas"]["PapersEntry"][];
        };
        DeliveryView: {
            about_channel?: string;
            alert?: string;
            at: string;
            attempts: number;
            channel: string;
            code?: number;
            data?: unknown;
            id: string;
            last_try?: string;
            next_try?: string;
            order: number;
            reason?: string;
            say?: string;
            site?: string;
            status: "pending" | "delivered" | "dead";
            took_seconds?: number;
            type: string;
        };
        Diagnostic: {
            column?: number;
            file?: string;
            hint?: string;
            length?: number;
            line?: number;
            more?: number;
            path?: string;
            reason: string;
            row?: number;
            rule?: string;
            severity: string;
            source?: string;
        };
        DifferenceView: {
            finding: "only_here" | "only_there" | "found" | "missed_once" | "missing" | "moved_here" | "new_here" | "unknown_product" | "foreign" | "sold_but_present" | "better_next_door" | "tied_next_door" | "heard_elsewhere" | "found_again" | "newer_known" | "not_delivered" | "not_on_papers" | "more_than_papers";
            gtin?: string;
            item: string;
            product?: components["schemas"]["ProductView"];
            reads?: number;
            was?: string;
            words: string;
            zone?: string;
        };
        DifferencesView: {
            against?: components["schemas"]["CountView"];
            assessment?: components["schemas"]["Assessment"];
            caution: string;
            count: components["schemas"]["CountView"];
            differences: components["schemas"]["DifferenceView"][];
            in_both?: number;
            products?: components["schemas"]["ProductLineView"][];
            result?: components["schemas"]["CountSummary"];
        };
        DocumentDiff: {
            document: string;
            from: components["schemas"]["VersionView"];
            lines_added?: number;
            lines_removed?: number;
            masked?: string[];
            products?: components["schemas"]["ProductChanges"];
            text?: string;
            to: components["schemas"]["VersionView"];
            truncated?: boolean;
        };
        DryRun: {
            ok: boolean;
            products?: components["schemas"]["ProductDiff"];
            warnings?: string[];
        };
        DueProgress: {
            done: number;
            due: number;
            expected: number;
            found: number;
            overdue: number;
            running: number;
            share: number;
            zones: number;
        };
        DueZone: {
            blind?: boolean;
            count?: string;
            due_at: string;
            last_counted_at?: string;
            name: string;
            paused?: boolean;
            status: "overdue" | "due" | "running" | "done" | "later";
            team?: string;
            zone: string;
        };
        EventRequest: {
            epc?: string;
            epcs?: string[];
            gtin?: string;
            ref?: string;
            time?: string | number;
            type: "sold" | "returned" | "received" | "shipped" | "moved" | "retired" | "registered";
            zone?: string;
        };
        FactList: {
            facts: components["schemas"]["FactView"][];
            next?: string;
        };
        FactView: {
            at: string;
            cause: "arrived" | "left" | "passed" | "sold" | "returned" | "received" | "shipped" | "missing" | "found" | "retired" | "stock" | "counted" | "silent" | "heard" | "foreign" | "registered" | "doubled" | "overdue" | "caught_up" | "near" | "away" | "zone" | "other_shop";
            count?: number;
            disposition?: "unknown" | "sellable_accessible" | "sellable_not_accessible" | "retail_sold" | "in_transit" | "inactive";
            expected?: number;
            from?: string;
            gtin?: string;
            id: string;
            item?: string;
            missing?: number;
            near?: components["schemas"]["NearView"];
            other_site?: components["schemas"]["OtherSiteView"];
            passage?: components["schemas"]["PassageView"];
            read_point?: string;
            ref?: string;
            sequence: number;
            stocktake?: components["schemas"]["StocktakeView"];
            unexpected?: number;
            zone?: string;
        };
        FieldChange: {
            field: string;
            from: string;
            to: string;
        };
        FindAnswer: {
            hint?: string;
            items: components["schemas"]["FoundItem"][];
            meant: "item" | "gtin" | "sku" | "name" | "nothing";
            more: number;
            near?: components["schemas"]["ProductView"][];
            products: components["schemas"]["ProductView"][];
            q: string;
        };
        FirstView: {
            at: string;
            item?: string;
            zone?: string;
        };
        FoundItem: {
            declared: boolean;
            disposition: "unknown" | "sellable_accessible" | "sellable_not_accessible" | "retail_sold" | "in_transit" | "inactive";
            foreign: boolean;
            forms?: components["schemas"]["ItemForms"];
            from?: string;
            gtin?: string;
            item: string;
            last_seen?: string;
            product?: components["schemas"]["ProductView"];
            read_point?: string;
            since?: string;
            storey?: string;
            sure: "heard" | "declared" | "stale" | "unknown" | "away";
            words: string;
            zone?: string;
            zone_name?: string;
        };
        Function: {
            call: string;
            meaning: string;
        };
        Health: {
            reason?: "store" | "store_lost" | "store_full" | "sites" | "stopping";
            status: "ok" | "unavailable";
        };
        Histogram: number[];
        ItemForms: {
            digital_link?: string;
            pure_identity_uri?: string;
            serial?: string;
        };
        ItemList: {
            items: components["schemas"]["ItemView"][];
            next?: string;
            total?: number;
        };
        ItemView: {
            declared: boolean;
            disposition: "unknown" | "sellable_accessible" | "sellable_not_accessible" | "retail_sold" | "in_transit" | "inactive";
            foreign: boolean;
            forms?: components["schemas"]["ItemForms"];
            from?: string;
            gtin?: string;
            item: string;
            last_seen?: string;
            product?: components["schemas"]["ProductView"];
            read_point?: string;
            since?: string;
            zone?: string;
        };
        JobError: {
            detail?: string;
            instance?: string;
            status?: number;
            title: string;
            type: string;
        };
        Key: {
            meaning: string;
            name: string;
            values?: string[];
        };
        KeyList: {
            keys: components["schemas"]["KeyView"][];
        };
        KeyRequest: {
            name: string;
            scopes: ("reads" | "sales" | "count" | "view" | "metrics" | "operate" | "author" | "admin")[];
            sites: string[];
            until?: string;
        };
        KeyView: {
            by: string;
            created: string;
            disabled?: string;
            key?: string;
            last_used?: string;
            name: string;
            scopes: string[];
            sites: string[];
            until?: string;
        };
        Layout: {
            counts?: components["schemas"]["Counts"];
            hours?: unknown;
            language?: string;
            name?: string;
            presence?: components["schemas"]["Presence"];
            read_points?: components["schemas"]["Point"][];
            site: string;
            time_zone: string;
            zones: components["schemas"]["Zone"][];
        };
        LayoutDryRun: {
            ok: boolean;
            warnings: components["schemas"]["Diagnostic"][];
        };
        LayoutSaved: {
            at: string;
            by: string;
            document: string;
            in_effect: boolean;
            note?: string;
            unchanged: boolean;
            version: number;
            warnings: components["schemas"]["Diagnostic"][];
        };
        Limit: {
            kind?: string;
            max?: number;
            min?: number;
            zone?: string;
        };
        Message: {
            alert: components["schemas"]["AlertView"];
            order: number;
            product?: components["schemas"]["MessageProduct"];
            test?: boolean;
        };
        MessagePreview: {
            body: string;
            media_type: string;
            sample: boolean;
        };
        MessageProduct: {
            category?: string;
            gtin: string;
            name: string;
            price?: number;
            sku?: string;
        };
        MissingItem: {
            gtin?: string;
            item: string;
            last_heard_at?: string;
            product?: components["schemas"]["ProductView"];
            read_point?: string;
            zone?: string;
            zone_name?: string;
        };
        MissingItems: {
            caution: string;
            count: string;
            items: components["schemas"]["MissingItem"][];
            next?: string;
            products?: components["schemas"]["MissingPieces"][];
        };
        MissingPieces: {
            gtin: string;
            pieces: number;
            product?: components["schemas"]["ProductView"];
        };
        Name: {
            causes?: string[];
            example: string;
            meaning: string;
            missing?: string;
            name: string;
            subjects: string[];
            type: string;
            unit?: string;
            values?: string[];
        };
        NearView: {
            door: string;
            peak_rssi?: number;
            seconds: number;
        };
        NightCount: {
            blind: boolean;
            by: string;
            closed_at?: string;
            delivery: boolean;
            expected: number;
            fields?: {
                [key: string]: string;
            };
            final: boolean;
            found: number;
            id: string;
            missing_after: number;
            note?: string;
            only: boolean;
            opened_at: string;
            pass: number;
            reads: number;
            status: "open" | "paused" | "closed" | "discarded";
            unique: number;
            zones: string[];
        };
        NoticeCloudEvent: {
            data: components["schemas"]["NoticeData"];
            datacontenttype: string;
            id: string;
            order: number;
            source: string;
            specversion: "1.0";
            subject?: string;
            time: string;
            type: string;
        };
        NoticeData: {
            channel?: string;
            dead_letters?: number;
            failing_hours?: number;
            failing_since?: string;
            first?: string;
            fix: string[];
            last?: string;
            reason?: string;
            say: string;
            sequence?: number;
            severity: string;
            site?: string;
            stopped_at?: string;
            stopped_because?: string;
        };
        NoticeMessage: {
            data: components["schemas"]["NoticeData"];
            timestamp: string;
            type: "channel.failing" | "channel.stopped" | "channel.started" | "channel.dead_letters" | "site.entry_aside";
        };
        Other: {
            median_dbm?: number;
            peak_dbm?: number;
            reads: number;
            tag: string;
        };
        OtherSiteView: {
            id: string;
            name: string;
        };
        OutcomeView: {
            code?: number;
            delivered: boolean;
            reason?: string;
            retry_after?: number;
            seconds: number;
        };
        PapersEntry: {
            gtin?: string;
            quantity: number;
            sku?: string;
        };
        Param: {
            default: string;
            max?: string;
            meaning?: string;
            min?: string;
            name: string;
            sites?: {
                [key: string]: string;
            };
            type: string;
            values?: string[];
        };
        Passage: {
            door: string;
            entries: components["schemas"]["PassageEntry"][];
            item: string;
            known: components["schemas"]["PassageKnown"];
            label: "out" | "in" | "stayed" | "";
            layout: unknown;
            learnt?: components["schemas"]["PassageLearnt"][];
            notified: components["schemas"]["PassageNotified"];
            others: components["schemas"]["PassageOther"][];
            read_points: string[];
            start: string;
        };
        PassageEntry: {
            at: number;
            events?: components["schemas"]["PassageEvent"][];
            points?: number[];
            reads?: components["schemas"]["PassageRead"][];
        };
        PassageEvent: {
            at: number;
            gtin?: string;
            type: "sold" | "returned" | "received" | "shipped" | "moved" | "retired" | "registered";
            zone?: string;
        };
        PassageKnown: {
            disposition?: string;
            gtin?: string;
            usual?: components["schemas"]["PassageUsual"];
            zone?: string;
        };
        PassageLearnt: {
            busy_interval_seconds: number;
            carried_dbm: number[];
            interval_seconds: number;
            lag_seconds: number;
            own_dbm: number;
            tags: number;
        };
        PassageNotified: {
            at: string;
            confidence: number;
            direction: "in" | "out" | "unsure";
            sure: boolean;
        };
        PassageOther: {
            item: string;
            known: components["schemas"]["PassageKnown"];
        };
        PassageRead: {
            at: number;
            channel?: number;
            count?: number;
            doppler?: number;
            phase?: number;
            point: number;
            rssi?: number;
            tag: number;
            zone?: string;
        };
        PassageUsual: {
            inner: number[];
            outer: number[];
            slots: number;
        };
        PassageView: {
            confidence: number;
            direction: "in" | "out" | "unsure";
            door?: string;
            peak_rssi?: number;
            reads: number;
            seconds: number;
            sure: boolean;
        };
        PatchRuleBody: Record<string, never>;
        PickList: {
            picks: components["schemas"]["PickView"][];
            shortages: components["schemas"]["ShortageView"][];
        };
        PickView: {
            from: string;
            items: string[];
            product: components["schemas"]["ProductView"];
            quantity: number;
            reason: "below_minimum" | "above_maximum";
            to: string;
        };
        Planned: {
            change: "new" | "changed" | "unchanged" | "kept" | "invalid";
            changes?: components["schemas"]["Changes"];
            diagnostics?: components["schemas"]["Diagnostic"][];
            document: string;
            version: number;
            warnings?: string[];
        };
        PlannedCount: {
            blind?: boolean;
            by: string;
            every?: string;
            on?: ("mon" | "tue" | "wed" | "thu" | "fri" | "sat" | "sun")[];
            team?: string;
            zones: string[];
        };
        Point: {
            id: string;
            min_reads?: number;
            min_rssi?: number;
            name?: string;
            role: "fixed" | "portal" | "handheld" | "desk";
            session?: "S0" | "S1" | "S2" | "S3";
            side?: "inner" | "outer";
            silent_after?: string;
            zone?: string;
        };
        PostCountReadsBody: components["schemas"]["ReadRequest"][] | components["schemas"]["ReadsRequest"];
        PostEventsBody: components["schemas"]["EventRequest"] | components["schemas"]["EventRequest"][];
        PostReadsBody: components["schemas"]["ReadRequest"][] | components["schemas"]["ReadsRequest"];
        Presence: {
            completeness?: number;
            epoch?: string;
            hysteresis_db?: number;
            passage_gap?: string;
            passage_max?: string;
        };
        Problem: {
            code: components["schemas"]["Code"];
            detail: string;
            request_id?: string;
            status: number;
            title: string;
            type: string;
        } & {
            [key: string]: unknown;
        };
        Product: {
            attributes?: {
                [key: string]: string;
            };
            category?: string;
            gtin: string;
            home_zones?: string[];
            limits?: components["schemas"]["Limit"][];
            name?: string;
            price?: number;
            sku?: string;
        };
        ProductChange: {
            change: "added" | "removed" | "changed";
            fields?: components["schemas"]["FieldChange"][];
            gtin: string;
            name?: string;
        };
        ProductChanges: {
            added: number;
            changed: number;
            list: components["schemas"]["ProductChange"][];
            more?: number;
            removed: number;
            unchanged: number;
        };
        ProductDiff: {
            added: number;
            changed: number;
            removed: number;
            rows: number;
            total: number;
            unchanged: number;
        };
        ProductLineView: {
            expected: number;
            found: number;
            gtin?: string;
            product?: components["schemas"]["ProductView"];
        };
        ProductView: {
            category?: string;
            gtin: string;
            name?: string;
            price?: number;
            sku?: string;
        };
        Products: {
            products: components["schemas"]["Product"][];
        };
        ProductsSaved: {
            at: string;
            by: string;
            document: string;
            in_effect: boolean;
            note?: string;
            products: components["schemas"]["ProductDiff"];
            unchanged: boolean;
            version: number;
            warnings?: string[];
        };
        Proposal: {
            min_rssi?: number;
            power?: "lower" | "raise";
            sure_within?: string;
        };
        ProviderView: {
            name: string;
            start: string;
        };
        PutRuleBody: Record<string, never>;
        QualityChange: {
            difference: number;
            high: number;
            low: number;
            words: string;
        };
        QualityDelay: {
            median: number;
            p90: number;
        };
        QualityPrecision: {
            high: number;
            low: number;
            outcomes: number;
            share?: number;
            words: string;
        };
        QualityTally: {
            acknowledged: number;
            acknowledged_after_seconds?: components["schemas"]["QualityDelay"];
            cleared: number;
            escalated: number;
            false: number;
            fired: number;
            genuine: number;
            joined: number;
            open: number;
            precision: components["schemas"]["QualityPrecision"];
            reminded: number;
            reminders: number;
            unclear: number;
            without_outcome: number;
        };
        QualityVersion: {
            change?: components["schemas"]["QualityChange"];
            current?: boolean;
            faults?: number;
            first: string;
            kept_back?: number;
            last: string;
            rule_hash: string;
            storms?: number;
            tally: components["schemas"]["QualityTally"];
            watch?: boolean;
        };
        QualityWeek: {
            faults?: number;
            kept_back?: number;
            monday: string;
            notified: components["schemas"]["QualityTally"];
            storms?: number;
            sunday: string;
            watched: components["schemas"]["QualityTally"];
            week: string;
        };
        QualityWeeks: {
            count: number;
            first: string;
            last: string;
        };
        ReadPointList: {
            read_points: components["schemas"]["ReadPointView"][];
        };
        ReadPointView: {
            id: string;
            last_report?: string;
            name: string;
            role: string;
            silent: boolean;
            warnings?: string[];
            zone?: string;
        };
        ReadRequest: {
            channel?: number;
            count?: number;
            doppler?: number;
            epc?: string;
            pc?: string | number;
            phase?: number;
            read_point: string;
            rssi?: number;
            time?: string | number;
            zone?: string;
        };
        ReadsRequest: {
            reads: components["schemas"]["ReadRequest"][];
        };
        RecoverAnswer: {
            first?: string;
            has_more: boolean;
            last?: string;
            queued: number;
        };
        RecoverRequest: {
            since: string;
            until?: string;
        };
        Rejection: {
            index: number;
            line?: number;
            reason: string;
            section?: string;
        };
        RestoreRequest: {
            note?: string;
            version: number;
        };
        Restored: {
            at: string;
            by: string;
            changes?: components["schemas"]["Changes"];
            diagnostics?: components["schemas"]["Diagnostic"][];
            document: string;
            in_effect: boolean;
            note?: string;
            restored: number;
            unchanged: boolean;
            version: number;
            warnings?: string[];
        };
        RetryAnswer: {
            delivery: components["schemas"]["DeliveryView"];
            outcome: components["schemas"]["OutcomeView"];
        };
        RotateRequest: {
            overlap: number;
        };
        RuleCheck: {
            cases?: components["schemas"]["CaseReport"];
            diagnostics: components["schemas"]["Diagnostic"][];
            ok: boolean;
            rule?: components["schemas"]["RuleView"];
            stored: boolean;
            true_now?: components["schemas"]["TrueNow"];
            unchanged: boolean;
            version: number;
        };
        RuleCheckRequest: {
            cases?: string;
            rule: string;
        };
        RuleHistory: {
            before?: number;
            rule: string;
            versions: components["schemas"]["RuleVersion"][];
        };
        RuleNames: {
            functions: components["schemas"]["Function"][];
            keys: components["schemas"]["Key"][];
            names: components["schemas"]["Name"][];
        };
        RuleQuality: {
            by_version: components["schemas"]["QualityVersion"][];
            by_week: components["schemas"]["QualityWeek"][];
            caution: string;
            faults?: number;
            kept_back?: number;
            mode?: string;
            notice: string;
            notified: components["schemas"]["QualityTally"];
            rule: string;
            storms?: number;
            watched: components["schemas"]["QualityTally"];
            weeks: components["schemas"]["QualityWeeks"];
        };
        RuleQualityList: {
            caution: string;
            left_out?: number;
            notice: string;
            rules: components["schemas"]["RuleQualityRow"][];
            weeks: components["schemas"]["QualityWeeks"];
        };
        RuleQualityRow: {
            faults?: number;
            kept_back?: number;
            mode?: string;
            notified: components["schemas"]["QualityTally"];
            rule: string;
            storms?: number;
            watched: components["schemas"]["QualityTally"];
        };
        RuleSaved: {
            at: string;
            by: string;
            cases?: components["schemas"]["CaseReport"];
            changes?: components["schemas"]["Changes"];
            diagnostics: components["schemas"]["Diagnostic"][];
            document: string;
            dry_run?: boolean;
            in_effect: boolean;
            note?: string;
            rule?: components["schemas"]["RuleView"];
            text?: string;
            true_now?: components["schemas"]["TrueNow"][];
            unchanged: boolean;
            version: number;
            warnings?: string[];
        };
        RuleText: {
            cases?: string;
            rule: components["schemas"]["RuleView"];
            text: string;
            version: number;
        };
        RuleVersion: {
            at: string;
            by: string;
            change: "added" | "changed" | "removed";
            note?: string;
            version: number;
        };
        RuleView: {
            about: string;
            but?: components["schemas"]["AlternativeView"][];
            clear?: string;
            escalate?: string;
            escalate_to?: string[];
            first?: string;
            gather?: string;
            gather_by?: string;
            hash: string;
            hold?: string;
            hours?: string;
            items?: string;
            limit: string;
            line: number;
            mode: string;
            name: string;
            needs?: number;
            quiet?: string;
            remind?: string;
            same?: string;
            say?: string;
            say_in?: {
                [key: string]: string;
            };
            send?: string[];
            severity: string;
            unless?: string;
            uses?: string[];
            when: string;
            within?: string;
            words: string;
        };
        RulesSaved: {
            at: string;
            by: string;
            diagnostics: components["schemas"]["Diagnostic"][];
            document: string;
            in_effect: boolean;
            note?: string;
            rules: number;
            unchanged: boolean;
            version: number;
            warnings?: string[];
        };
        RulesView: {
            params?: components["schemas"]["Param"][];
            rules: components["schemas"]["RuleView"][];
            text: string;
            version: number;
        };
        Secret: {
            not_after?: string;
            secret: string;
        };
        SessionList: {
            sessions: components["schemas"]["SessionView"][];
        };
        SessionView: {
            agent?: string;
            created: string;
            current: boolean;
            id: string;
            key: string;
            person?: boolean;
            until: string;
        };
        ShortageView: {
            count: number;
            lacking: number;
            maximum?: number;
            minimum?: number;
            place: string;
            product: components["schemas"]["ProductView"];
            short: number;
            supplied: number;
        };
        SideHeard: {
            peak_dbm?: number;
            reads: number;
        };
        SignInRequest: {
            keep?: boolean;
            key: string;
        };
        SignedIn: {
            key: string;
            now: string;
            person?: boolean;
            scopes: string[];
            session?: components["schemas"]["SessionView"];
            sites: string[];
        };
        SiteList: {
            sites: components["schemas"]["SiteView"][];
        };
        SiteView: {
            alerts: number;
            id: string;
            items: number;
            name: string;
            sequence: number;
            time_zone: string;
            working: boolean;
        };
        StockList: {
            next?: string;
            stock: components["schemas"]["StockView"][];
        };
        StockView: {
            count: number;
            maximum?: number;
            minimum?: number;
            place: string;
            product: components["schemas"]["ProductView"];
            short: number;
        };
        StocktakeView: {
            days?: number;
            delivery?: boolean;
            most_short?: number;
            most_short_of?: string;
            over?: number;
            overdue?: boolean;
            short?: number;
            wrong?: number;
            zones?: string[];
        };
        TagResult: {
            both?: components["schemas"]["SideHeard"];
            first_third_db?: number;
            inner?: components["schemas"]["SideHeard"];
            inside_reads: number;
            last_third_db?: number;
            longest_gap_seconds?: number;
            outer?: components["schemas"]["SideHeard"];
            tag: string;
        };
        TrialAlert: {
            about: string;
            cause?: string;
            count?: string;
            fact?: string;
            gtin?: string;
            item?: string;
            opened_at?: string;
            passage?: components["schemas"]["PassageView"];
            place?: string;
            product?: string;
            reader?: string;
            rule: string;
            say: string;
            severity: string;
            since?: string;
            why?: unknown;
            zone?: string;
        };
        TrialAlertLine: {
            alert: components["schemas"]["TrialAlert"];
            type: "alert";
        };
        TrialComparison: {
            added: components["schemas"]["TrialInstance"][];
            avoided: components["schemas"]["TrialInstance"][];
            both: number;
            both_outcomes?: {
                [key: string]: number;
            };
            both_precision?: components["schemas"]["TrialPrecision"];
            later: number;
            missed: components["schemas"]["TrialInstance"][];
            only_other: number;
            only_other_outcomes?: {
                [key: string]: number;
            };
            only_tried: number;
            other: number;
            other_precision?: components["schemas"]["TrialPrecision"];
        };
        TrialDayCount: {
            date: string;
            raised: number;
        };
        TrialInstance: {
            count?: string;
            gtin?: string;
            id?: string;
            item?: string;
            opened_at: string;
            outcome?: string;
            place?: string;
            reader?: string;
            say: string;
            zone?: string;
        };
        TrialLiveReport: {
            compared?: components["schemas"]["TrialComparison"];
            hash: string;
            mode: string;
            result?: components["schemas"]["TrialResult"];
            same: boolean;
        };
        TrialMessages: {
            by_change: {
                [key: string]: number;
            };
            channel: string;
            sent: number;
            unknown?: boolean;
            unwanted?: number;
        };
        TrialNameCount: {
            id: string;
            name?: string;
            raised: number;
        };
        TrialPrecision: {
            false: number;
            genuine: number;
            high: number;
            low: number;
            share: number;
        };
        TrialProblemLine: {
            code: components["schemas"]["Code"];
            detail: string;
            status: number;
            title: string;
            type: "problem";
        };
        TrialProgressLine: {
            at: string;
            facts: number;
            facts_per_second: number;
            raised: number;
            share: number;
            type: "progress";
        };
        TrialResult: {
            by_day: components["schemas"]["TrialDayCount"][];
            by_hour: components["schemas"]["TrialWeekdayCount"][];
            changes: {
                [key: string]: number;
            };
            errors: number;
            failure?: string;
            held_back: {
                [key: string]: number;
            };
            messages: components["schemas"]["TrialMessages"][];
            open_seconds: components["schemas"]["TrialSpan"];
            products: components["schemas"]["TrialNameCount"][];
            raised: number;
            still_open: number;
            waiting: {
                [key: string]: number;
            };
            zones: components["schemas"]["TrialNameCount"][];
        };
        TrialResultLine: {
            facts: number;
            facts_per_second: number;
            from: string;
            hash: string;
            kept_from?: string;
            lead_in_facts: number;
            live?: components["schemas"]["TrialLiveReport"];
            mode: string;
            notes: string[];
            notice: string;
            partial: boolean;
            recorded?: components["schemas"]["TrialComparison"];
            rule: string;
            seconds: number;
            site: string;
            stopped?: "time" | "facts" | "alerts";
            time_zone: string;
            to: string;
            tried: components["schemas"]["TrialResult"];
            type: "result";
            until: string;
        };
        TrialSpan: {
            ended: number;
            longest: number;
            median: number;
            p90: number;
        };
        TrialWeekdayCount: {
            hours: number[];
            weekday: string;
        };
        TrueExample: {
            gtin?: string;
            item?: string;
            place?: string;
            reader?: string;
            say: string;
            site: string;
            zone?: string;
        };
        TrueNow: {
            count: number;
            examples?: components["schemas"]["TrueExample"][];
            failed?: number;
            looked_at: number;
            partial?: boolean;
            rule: string;
            words: string;
        };
        VersionList: {
            document: string;
            versions: components["schemas"]["VersionView"][];
        };
        VersionView: {
            at: string;
            by: string;
            note?: string;
            version: number;
        };
        WalkRequest: {
            from: string;
            to: string;
            what: "out" | "in" | "along" | "still";
        };
        WalkResult: {
            from: string;
            tags: components["schemas"]["TagResult"][];
            to: string;
            what: "out" | "in" | "along" | "still";
        };
        WalkTestAnswer: {
            door: string;
            others: components["schemas"]["Other"][];
            others_heard: number;
            passages: number;
            passages_heard: number;
            proposal: components["schemas"]["Proposal"];
            remarks: string[];
            report_interval_seconds?: number;
            sides_part_db?: number;
            stored?: components["schemas"]["LayoutSaved"];
            two_sided: boolean;
            walks: components["schemas"]["WalkResult"][];
        };
        WalkTestRequest: {
            store?: boolean;
            tags: string[];
            walks: components["schemas"]["WalkRequest"][];
        };
        WaysToSignIn: {
            provider?: components["schemas"]["ProviderView"];
        };
        WhyAnswer: {
            about: "item" | "stock" | "reader" | "count" | "zone";
            count?: string;
            fact?: components["schemas"]["FactView"];
            gtin?: string;
            item?: string;
            notice: string;
            place?: string;
            reader?: string;
            rules: components["schemas"]["WhyRule"][];
            site: string;
            zone?: string;
        };
        WhyRule: {
            alert?: string;
            cause?: string;
            condition: unknown;
            have?: number;
            need?: number;
            reason: "raised" | "gathered" | "limit" | "false" | "hold" | "quiet" | "hours" | "needs" | "first" | "within" | "off" | "failed" | "occasion";
            rule: string;
            until?: string;
            watch?: boolean;
            words: string;
        };
        Zone: {
            at?: components["schemas"]["Area"];
            id: string;
            kind: "shelf" | "floor" | "stockroom" | "fitting" | "checkout" | "receiving" | "exit" | "other";
            lingering_after?: string;
            name?: string;
            storey?: string;
            sure_within?: string;
        };
        ZoneList: {
            zones: components["schemas"]["ZoneView"][];
        };
        ZoneView: {
            at?: components["schemas"]["Area"];
            below: number;
            items: number;
            kind: "shelf" | "floor" | "stockroom" | "fitting" | "checkout" | "receiving" | "exit" | "other";
            last_counted_at?: string;
            maximum: number;
            minimum: number;
            misplaced: number;
            name: string;
            over: number;
            products: number;
            short: number;
            stock: number;
            storey?: string;
            zone: string;
        };
    };
    responses: never;
    parameters: never;
    requestBodies: never;
    headers: {
        "Accept-Encoding": string;
        Allow: string;
        "Content-Disposition": string;
        ETag: string;
        "GS1-CBV-Max": string;
        "GS1-CBV-Min": string;
        "GS1-CBV-Version": string;
        "GS1-Capture-Error-Behaviour": string;
        "GS1-EPC-Format": string;
        "GS1-EPCIS-Capture-File-Size-Limit": string;
        "GS1-EPCIS-Capture-Limit": string;
        "GS1-EPCIS-Max": string;
        "GS1-EPCIS-Min": string;
        "GS1-EPCIS-Version": string;
        "Idempotency-Replayed": string;
        "Last-Modified": string;
        Link: string;
        Location: string;
        "Retry-After": number;
        "Set-Cookie": string;
        "WWW-Authenticate": string;
    };
    pathItems: never;
}
export type $defs = Record<string, never>;
export interface operations {
    captureJobs: {
        parameters: {
            query?: {
                perPage?: number;
                nextPageToken?: string;
            };
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "GS1-CBV-Max": components["headers"]["GS1-CBV-Max"];
                    "GS1-CBV-Min": components["headers"]["GS1-CBV-Min"];
                    "GS1-CBV-Version": components["headers"]["GS1-CBV-Version"];
                    "GS1-EPC-Format": components["headers"]["GS1-EPC-Format"];
                    "GS1-EPCIS-Capture-File-Size-Limit": components["headers"]["GS1-EPCIS-Capture-File-Size-Limit"];
                    "GS1-EPCIS-Capture-Limit": components["headers"]["GS1-EPCIS-Capture-Limit"];
                    "GS1-EPCIS-Max": components["headers"]["GS1-EPCIS-Max"];
                    "GS1-EPCIS-Min": components["headers"]["GS1-EPCIS-Min"];
                    "GS1-EPCIS-Version": components["headers"]["GS1-EPCIS-Version"];
                    Link: components["headers"]["Link"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CaptureJob"][];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    capture: {
        parameters: {
            query?: {
                site?: string;
            };
            header?: {
                "GS1-Capture-Error-Behaviour"?: "rollback" | "proceed";
                "GS1-EPCIS-Version"?: string;
                "Idempotency-Key"?: string;
            };
            path?: never;
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["CaptureBody"];
                "application/ld+json": string;
            };
        };
        responses: {
            202: {
                headers: {
                    "GS1-CBV-Max": components["headers"]["GS1-CBV-Max"];
                    "GS1-CBV-Min": components["headers"]["GS1-CBV-Min"];
                    "GS1-CBV-Version": components["headers"]["GS1-CBV-Version"];
                    "GS1-Capture-Error-Behaviour": components["headers"]["GS1-Capture-Error-Behaviour"];
                    "GS1-EPC-Format": components["headers"]["GS1-EPC-Format"];
                    "GS1-EPCIS-Capture-File-Size-Limit": components["headers"]["GS1-EPCIS-Capture-File-Size-Limit"];
                    "GS1-EPCIS-Capture-Limit": components["headers"]["GS1-EPCIS-Capture-Limit"];
                    "GS1-EPCIS-Max": components["headers"]["GS1-EPCIS-Max"];
                    "GS1-EPCIS-Min": components["headers"]["GS1-EPCIS-Min"];
                    "GS1-EPCIS-Version": components["headers"]["GS1-EPCIS-Version"];
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    Location: components["headers"]["Location"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CaptureJob"];
                };
            };
            400: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            406: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    captureOptions: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            204: {
                headers: {
                    Allow: components["headers"]["Allow"];
                    "GS1-CBV-Max": components["headers"]["GS1-CBV-Max"];
                    "GS1-CBV-Min": components["headers"]["GS1-CBV-Min"];
                    "GS1-CBV-Version": components["headers"]["GS1-CBV-Version"];
                    "GS1-EPC-Format": components["headers"]["GS1-EPC-Format"];
                    "GS1-EPCIS-Capture-File-Size-Limit": components["headers"]["GS1-EPCIS-Capture-File-Size-Limit"];
                    "GS1-EPCIS-Capture-Limit": components["headers"]["GS1-EPCIS-Capture-Limit"];
                    "GS1-EPCIS-Max": components["headers"]["GS1-EPCIS-Max"];
                    "GS1-EPCIS-Min": components["headers"]["GS1-EPCIS-Min"];
                    "GS1-EPCIS-Version": components["headers"]["GS1-EPCIS-Version"];
                    [name: string]: unknown;
                };
                content?: never;
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    captureJob: {
        parameters: {
            query?: never;
            header?: never;
            path: {
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "GS1-CBV-Max": components["headers"]["GS1-CBV-Max"];
                    "GS1-CBV-Min": components["headers"]["GS1-CBV-Min"];
                    "GS1-CBV-Version": components["headers"]["GS1-CBV-Version"];
                    "GS1-Capture-Error-Behaviour": components["headers"]["GS1-Capture-Error-Behaviour"];
                    "GS1-EPC-Format": components["headers"]["GS1-EPC-Format"];
                    "GS1-EPCIS-Capture-File-Size-Limit": components["headers"]["GS1-EPCIS-Capture-File-Size-Limit"];
                    "GS1-EPCIS-Capture-Limit": components["headers"]["GS1-EPCIS-Capture-Limit"];
                    "GS1-EPCIS-Max": components["headers"]["GS1-EPCIS-Max"];
                    "GS1-EPCIS-Min": components["headers"]["GS1-EPCIS-Min"];
                    "GS1-EPCIS-Version": components["headers"]["GS1-EPCIS-Version"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CaptureJob"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    healthz: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["Health"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    metrics: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "text/plain": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    openapi: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": Record<string, never>;
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    readyz: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["Health"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["Health"];
                };
            };
        };
    };
    listAlerts: {
        parameters: {
            query?: {
                site?: string;
                status?: "open" | "acknowledged" | "cleared" | "closed" | "active" | "all";
                rule?: string;
                zone?: string;
                from?: string;
                to?: string;
                limit?: number;
                cursor?: string;
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["AlertList"];
                    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": string;
                    "text/csv": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            406: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    listAlertsCSV: {
        parameters: {
            query?: {
                site?: string;
                status?: "open" | "acknowledged" | "cleared" | "closed" | "active" | "all";
                rule?: string;
                zone?: string;
                from?: string;
                to?: string;
                limit?: number;
                cursor?: string;
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "text/csv": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    listAlertsXLSX: {
        parameters: {
            query?: {
                site?: string;
                status?: "open" | "acknowledged" | "cleared" | "closed" | "active" | "all";
                rule?: string;
                zone?: string;
                from?: string;
                to?: string;
                limit?: number;
                cursor?: string;
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    getAlert: {
        parameters: {
            query?: never;
            header?: never;
            path: {
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["AlertView"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    acknowledgeAlert: {
        parameters: {
            query?: never;
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                id: string;
            };
            cookie?: never;
        };
        requestBody?: {
            content: {
                "application/json": components["schemas"]["AcknowledgeRequest"];
            };
        };
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ActAnswer"];
                };
            };
            202: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ActAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    closeAlert: {
        parameters: {
            query?: never;
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                id: string;
            };
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["CloseRequest"];
            };
        };
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ActAnswer"];
                };
            };
            202: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ActAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    commentAlert: {
        parameters: {
            query?: never;
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                id: string;
            };
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["CommentRequest"];
            };
        };
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ActAnswer"];
                };
            };
            202: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ActAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    correctAlert: {
        parameters: {
            query?: never;
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                id: string;
            };
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["CloseRequest"];
            };
        };
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ActAnswer"];
                };
            };
            202: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ActAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    backup: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "application/octet-stream": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    getChannels: {
        parameters: {
            query?: {
                version?: number;
            };
            header?: {
                "If-None-Match"?: string;
            };
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    "Last-Modified": components["headers"]["Last-Modified"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["Channels"];
                };
            };
            304: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    "Last-Modified": components["headers"]["Last-Modified"];
                    [name: string]: unknown;
                };
                content?: never;
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    putChannels: {
        parameters: {
            query?: {
                note?: string;
            };
            header?: {
                "If-Match"?: string;
                "If-None-Match"?: string;
            };
            path?: never;
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["Channels"];
            };
        };
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ChannelsSaved"];
                };
            };
            201: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ChannelsSaved"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            412: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    diffChannels: {
        parameters: {
            query?: {
                from?: number;
                to?: number;
            };
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["DocumentDiff"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    channelsHealth: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ChannelHealthList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    previewChannel: {
        parameters: {
            query?: {
                delivery?: string;
            };
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["Channel"];
            };
        };
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["MessagePreview"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    restoreChannels: {
        parameters: {
            query?: never;
            header?: {
                "If-Match"?: string;
                "Idempotency-Key"?: string;
            };
            path?: never;
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["RestoreRequest"];
            };
        };
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["Restored"];
                };
            };
            400: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            412: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    channelVersions: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["VersionList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    channelHealth: {
        parameters: {
            query?: never;
            header?: never;
            path: {
                name: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ChannelView"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    recoverChannel: {
        parameters: {
            query?: {
                site?: string;
            };
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                name: string;
            };
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["RecoverRequest"];
            };
        };
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["RecoverAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    startChannel: {
        parameters: {
            query?: never;
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                name: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ChannelView"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    testChannel: {
        parameters: {
            query?: never;
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                name: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["OutcomeView"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    getConfiguration: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ConfigurationList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    applyConfiguration: {
        parameters: {
            query?: {
                note?: string;
                allow_removal?: "true" | "false" | "1" | "0";
            };
            header?: {
                "If-Match"?: string;
                "Idempotency-Key"?: string;
            };
            path?: never;
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["ConfigurationRequest"];
            };
        };
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ConfigurationApplied"];
                };
            };
            400: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            412: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    planConfiguration: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["ConfigurationRequest"];
            };
        };
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ConfigurationPlan"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    listDeliveries: {
        parameters: {
            query?: {
                site?: string;
                status?: "pending" | "delivered" | "dead";
                channel?: string;
                alert?: string;
                limit?: number;
                cursor?: string;
            };
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["DeliveryList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    getDelivery: {
        parameters: {
            query?: never;
            header?: never;
            path: {
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["DeliveryView"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    retryDelivery: {
        parameters: {
            query?: never;
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["RetryAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    listKeys: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["KeyList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    makeKey: {
        parameters: {
            query?: never;
            header?: {
                "Idempotency-Key"?: string;
            };
            path?: never;
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["KeyRequest"];
            };
        };
        responses: {
            201: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["KeyView"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    revokeKey: {
        parameters: {
            query?: never;
            header?: never;
            path: {
                name: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            204: {
                headers: {
                    [name: string]: unknown;
                };
                content?: never;
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    rotateKey: {
        parameters: {
            query?: never;
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                name: string;
            };
            cookie?: never;
        };
        requestBody?: {
            content: {
                "application/json": components["schemas"]["RotateRequest"];
            };
        };
        responses: {
            201: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["KeyView"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    getProducts: {
        parameters: {
            query?: {
                version?: number;
                format?: string;
            };
            header?: {
                "If-None-Match"?: string;
            };
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    ETag: components["headers"]["ETag"];
                    "Last-Modified": components["headers"]["Last-Modified"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["Products"];
                    "text/csv": string;
                };
            };
            304: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    ETag: components["headers"]["ETag"];
                    "Last-Modified": components["headers"]["Last-Modified"];
                    [name: string]: unknown;
                };
                content?: never;
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            406: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    putProducts: {
        parameters: {
            query?: {
                dry_run?: "true" | "false" | "1" | "0";
                note?: string;
                allow_removal?: "true" | "false" | "1" | "0";
            };
            header?: {
                "If-Match"?: string;
                "If-None-Match"?: string;
            };
            path?: never;
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["Products"];
                "text/csv": string;
            };
        };
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ProductsSaved"] | components["schemas"]["DryRun"];
                };
            };
            201: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ProductsSaved"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            412: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    mergeProducts: {
        parameters: {
            query?: {
                dry_run?: "true" | "false" | "1" | "0";
                note?: string;
            };
            header?: {
                "If-Match"?: string;
                "If-None-Match"?: string;
                "Idempotency-Key"?: string;
            };
            path?: never;
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["Products"];
                "text/csv": string;
            };
        };
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ProductsSaved"] | components["schemas"]["DryRun"];
                };
            };
            201: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ProductsSaved"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            412: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    patchProducts: {
        parameters: {
            query?: {
                dry_run?: "true" | "false" | "1" | "0";
                note?: string;
            };
            header?: {
                "If-Match"?: string;
                "If-None-Match"?: string;
            };
            path?: never;
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["Products"];
                "text/csv": string;
            };
        };
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ProductsSaved"] | components["schemas"]["DryRun"];
                };
            };
            201: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ProductsSaved"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            412: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    diffProducts: {
        parameters: {
            query?: {
                from?: number;
                to?: number;
                limit?: number;
            };
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["DocumentDiff"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    restoreProducts: {
        parameters: {
            query?: never;
            header?: {
                "If-Match"?: string;
                "Idempotency-Key"?: string;
            };
            path?: never;
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["RestoreRequest"];
            };
        };
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["Restored"];
                };
            };
            400: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            412: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    productVersions: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["VersionList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    getRules: {
        parameters: {
            query?: {
                version?: number;
                format?: string;
            };
            header?: {
                "If-None-Match"?: string;
            };
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    "Last-Modified": components["headers"]["Last-Modified"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["RulesView"];
                    "text/yaml": string;
                };
            };
            304: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    "Last-Modified": components["headers"]["Last-Modified"];
                    [name: string]: unknown;
                };
                content?: never;
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            406: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    putRules: {
        parameters: {
            query?: {
                note?: string;
                allow_removal?: "true" | "false" | "1" | "0";
            };
            header?: {
                "If-Match"?: string;
                "If-None-Match"?: string;
            };
            path?: never;
            cookie?: never;
        };
        requestBody: {
            content: {
                "text/yaml": string;
            };
        };
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["RulesSaved"];
                };
            };
            201: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["RulesSaved"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            412: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    checkRules: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody: {
            content: {
                "text/yaml": string;
            };
        };
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CheckAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    diffRules: {
        parameters: {
            query?: {
                from?: number;
                to?: number;
            };
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["DocumentDiff"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    ruleNames: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["RuleNames"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    rulesQuality: {
        parameters: {
            query?: {
                site?: string;
                weeks?: number;
                limit?: number;
            };
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["RuleQualityList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    restoreRules: {
        parameters: {
            query?: never;
            header?: {
                "If-Match"?: string;
                "Idempotency-Key"?: string;
            };
            path?: never;
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["RestoreRequest"];
            };
        };
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["Restored"];
                };
            };
            400: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            412: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    ruleVersions: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["VersionList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    getRule: {
        parameters: {
            query?: {
                version?: number;
                format?: string;
            };
            header?: {
                "If-None-Match"?: string;
            };
            path: {
                name: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    "Last-Modified": components["headers"]["Last-Modified"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["RuleText"];
                    "text/yaml": string;
                };
            };
            304: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    "Last-Modified": components["headers"]["Last-Modified"];
                    [name: string]: unknown;
                };
                content?: never;
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            406: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    putRule: {
        parameters: {
            query?: {
                note?: string;
                dry_run?: "true" | "false" | "1" | "0";
                anyway?: "true" | "false" | "1" | "0";
            };
            header?: {
                "If-Match"?: string;
                "If-None-Match"?: string;
            };
            path: {
                name: string;
            };
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["PutRuleBody"];
                "text/yaml": string;
            };
        };
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["RuleSaved"];
                };
            };
            201: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["RuleSaved"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            412: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    deleteRule: {
        parameters: {
            query?: {
                note?: string;
                dry_run?: "true" | "false" | "1" | "0";
            };
            header?: {
                "If-Match"?: string;
            };
            path: {
                name: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["RuleSaved"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            412: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    patchRule: {
        parameters: {
            query?: {
                note?: string;
                dry_run?: "true" | "false" | "1" | "0";
                anyway?: "true" | "false" | "1" | "0";
            };
            header?: {
                "If-Match"?: string;
            };
            path: {
                name: string;
            };
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["PatchRuleBody"];
                "application/merge-patch+json": components["schemas"]["PatchRuleBody"];
            };
        };
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["RuleSaved"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            412: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    getCases: {
        parameters: {
            query?: {
                version?: number;
            };
            header?: {
                "If-None-Match"?: string;
            };
            path: {
                name: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    "Last-Modified": components["headers"]["Last-Modified"];
                    [name: string]: unknown;
                };
                content: {
                    "text/yaml": string;
                };
            };
            304: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    "Last-Modified": components["headers"]["Last-Modified"];
                    [name: string]: unknown;
                };
                content?: never;
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    putCases: {
        parameters: {
            query?: {
                site?: string;
                note?: string;
                dry_run?: "true" | "false" | "1" | "0";
                anyway?: "true" | "false" | "1" | "0";
            };
            header?: {
                "If-Match"?: string;
                "If-None-Match"?: string;
            };
            path: {
                name: string;
            };
            cookie?: never;
        };
        requestBody: {
            content: {
                "text/yaml": string;
            };
        };
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CasesSaved"];
                };
            };
            201: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CasesSaved"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            412: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    checkRule: {
        parameters: {
            query?: {
                site?: string;
            };
            header?: never;
            path: {
                name: string;
            };
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["RuleCheckRequest"];
            };
        };
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["RuleCheck"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    diffRule: {
        parameters: {
            query?: {
                from?: number;
                to?: number;
            };
            header?: never;
            path: {
                name: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["DocumentDiff"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    ruleQuality: {
        parameters: {
            query?: {
                site?: string;
                weeks?: number;
            };
            header?: never;
            path: {
                name: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["RuleQuality"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    tryRule: {
        parameters: {
            query?: {
                site?: string;
                from?: string;
                to?: string;
                alerts?: number;
            };
            header?: never;
            path: {
                name: string;
            };
            cookie?: never;
        };
        requestBody?: {
            content: {
                "text/yaml": string;
            };
        };
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/x-ndjson": components["schemas"]["TrialProgressLine"] | components["schemas"]["TrialAlertLine"] | components["schemas"]["TrialResultLine"] | components["schemas"]["TrialProblemLine"];
                    "text/event-stream": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            406: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    ruleChanges: {
        parameters: {
            query?: {
                before?: number;
                limit?: number;
            };
            header?: never;
            path: {
                name: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["RuleHistory"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    listSessions: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["SessionList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    signIn: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["SignInRequest"];
            };
        };
        responses: {
            201: {
                headers: {
                    "Set-Cookie": components["headers"]["Set-Cookie"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["SignedIn"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    getSession: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["SignedIn"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    endSession: {
        parameters: {
            query?: never;
            header?: never;
            path: {
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            204: {
                headers: {
                    "Set-Cookie": components["headers"]["Set-Cookie"];
                    [name: string]: unknown;
                };
                content?: never;
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    waysToSignIn: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["WaysToSignIn"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    finishSignIn: {
        parameters: {
            query?: never;
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            303: {
                headers: {
                    Location: components["headers"]["Location"];
                    "Set-Cookie": components["headers"]["Set-Cookie"];
                    [name: string]: unknown;
                };
                content?: never;
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    beginSignIn: {
        parameters: {
            query?: {
                again?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            303: {
                headers: {
                    Location: components["headers"]["Location"];
                    "Set-Cookie": components["headers"]["Set-Cookie"];
                    [name: string]: unknown;
                };
                content?: never;
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    listSites: {
        parameters: {
            query?: {
                site?: string;
            };
            header?: never;
            path?: never;
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["SiteList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    listAside: {
        parameters: {
            query?: never;
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["AsideList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    retryAside: {
        parameters: {
            query?: never;
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                site: string;
                sequence: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            202: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["AsideRetried"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    countAccuracy: {
        parameters: {
            query?: {
                weeks?: number;
                zone?: string;
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountAccuracy"];
                    "text/csv": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            406: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    countAccuracyCSV: {
        parameters: {
            query?: {
                weeks?: number;
                zone?: string;
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "text/csv": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    countsDue: {
        parameters: {
            query?: never;
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountsDue"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    listCounts: {
        parameters: {
            query?: {
                status?: "open" | "paused" | "closed" | "discarded" | "active" | "all";
                zone?: string;
                limit?: number;
                cursor?: string;
            };
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    openCount: {
        parameters: {
            query?: {
                also?: "true" | "false" | "1" | "0";
            };
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["CountRequest"];
            };
        };
        responses: {
            201: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    Location: components["headers"]["Location"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountAnswer"];
                };
            };
            202: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    Location: components["headers"]["Location"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    getCount: {
        parameters: {
            query?: {
                curve?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountDetail"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    closeCount: {
        parameters: {
            query?: {
                anyway?: "true" | "false" | "1" | "0";
            };
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountAnswer"];
                };
            };
            202: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    countDifferences: {
        parameters: {
            query?: {
                against?: string;
                lines?: "items" | "products";
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["DifferencesView"];
                    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": string;
                    "text/csv": string;
                    "text/html": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            406: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    countDifferencesCSV: {
        parameters: {
            query?: {
                against?: string;
                lines?: "items" | "products";
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "text/csv": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    countDifferencesPage: {
        parameters: {
            query?: {
                against?: string;
                lines?: "items" | "products";
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "text/html": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    countDifferencesXLSX: {
        parameters: {
            query?: {
                against?: string;
                lines?: "items" | "products";
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    discardCount: {
        parameters: {
            query?: never;
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountAnswer"];
                };
            };
            202: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    countedItems: {
        parameters: {
            query?: {
                limit?: number;
                cursor?: string;
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountedItems"];
                    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": string;
                    "text/csv": string;
                    "text/plain": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            406: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    countedItemsCSV: {
        parameters: {
            query?: {
                limit?: number;
                cursor?: string;
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "text/csv": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    countedItemsText: {
        parameters: {
            query?: {
                limit?: number;
                cursor?: string;
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "text/plain": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    countedItemsXLSX: {
        parameters: {
            query?: {
                limit?: number;
                cursor?: string;
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    missingItems: {
        parameters: {
            query?: {
                limit?: number;
                cursor?: string;
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["MissingItems"];
                    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": string;
                    "text/csv": string;
                    "text/plain": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            406: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    missingItemsCSV: {
        parameters: {
            query?: {
                limit?: number;
                cursor?: string;
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "text/csv": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    missingItemsText: {
        parameters: {
            query?: {
                limit?: number;
                cursor?: string;
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "text/plain": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    missingItemsXLSX: {
        parameters: {
            query?: {
                limit?: number;
                cursor?: string;
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    passCount: {
        parameters: {
            query?: never;
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountAnswer"];
                };
            };
            202: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    pauseCount: {
        parameters: {
            query?: never;
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountAnswer"];
                };
            };
            202: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    postCountReads: {
        parameters: {
            query?: {
                wait?: string;
                read_point?: string;
                zone?: string;
            };
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["PostCountReadsBody"];
                "application/x-ndjson": string;
                "text/csv": string;
                "text/plain": string;
            };
        };
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["BatchAnswer"];
                };
            };
            202: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["BatchAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    reopenCount: {
        parameters: {
            query?: never;
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountAnswer"];
                };
            };
            202: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    resumeCount: {
        parameters: {
            query?: never;
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountAnswer"];
                };
            };
            202: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["CountAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    walkTest: {
        parameters: {
            query?: {
                note?: string;
            };
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                site: string;
                zone: string;
            };
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["WalkTestRequest"];
            };
        };
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["WalkTestAnswer"];
                };
            };
            400: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            412: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    postEvents: {
        parameters: {
            query?: {
                wait?: string;
            };
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["PostEventsBody"];
            };
        };
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["BatchAnswer"];
                };
            };
            202: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["BatchAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    listFacts: {
        parameters: {
            query?: {
                from?: string;
                to?: string;
                cause?: string;
                limit?: number;
                cursor?: string;
                as?: "epcis";
            };
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "GS1-CBV-Max": components["headers"]["GS1-CBV-Max"];
                    "GS1-CBV-Min": components["headers"]["GS1-CBV-Min"];
                    "GS1-CBV-Version": components["headers"]["GS1-CBV-Version"];
                    "GS1-EPC-Format": components["headers"]["GS1-EPC-Format"];
                    "GS1-EPCIS-Capture-File-Size-Limit": components["headers"]["GS1-EPCIS-Capture-File-Size-Limit"];
                    "GS1-EPCIS-Capture-Limit": components["headers"]["GS1-EPCIS-Capture-Limit"];
                    "GS1-EPCIS-Max": components["headers"]["GS1-EPCIS-Max"];
                    "GS1-EPCIS-Min": components["headers"]["GS1-EPCIS-Min"];
                    "GS1-EPCIS-Version": components["headers"]["GS1-EPCIS-Version"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["FactList"];
                    "application/ld+json": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    exportFacts: {
        parameters: {
            query?: {
                from?: string;
                to?: string;
                cause?: string;
            };
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "application/x-ndjson": components["schemas"]["FactView"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    getPassage: {
        parameters: {
            query?: {
                label?: "out" | "in" | "stayed" | "";
            };
            header?: never;
            path: {
                site: string;
                id: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["Passage"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    find: {
        parameters: {
            query?: {
                q?: string;
                limit?: number;
            };
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["FindAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    listItems: {
        parameters: {
            query?: {
                zone?: string;
                product?: string;
                disposition?: "unknown" | "sellable_accessible" | "sellable_not_accessible" | "retail_sold" | "in_transit" | "inactive";
                only?: "stock" | "misplaced";
                skip?: number;
                limit?: number;
                cursor?: string;
            };
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ItemList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    exportItemsCSV: {
        parameters: {
            query?: {
                zone?: string;
                product?: string;
                disposition?: "unknown" | "sellable_accessible" | "sellable_not_accessible" | "retail_sold" | "in_transit" | "inactive";
                only?: "stock" | "misplaced";
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "text/csv": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    importItems: {
        parameters: {
            query?: {
                dry_run?: "true" | "false" | "1" | "0";
            };
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody: {
            content: {
                "text/csv": string;
            };
        };
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["BulkAnswer"];
                };
            };
            202: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["BulkAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    exportItemsLines: {
        parameters: {
            query?: {
                zone?: string;
                product?: string;
                disposition?: "unknown" | "sellable_accessible" | "sellable_not_accessible" | "retail_sold" | "in_transit" | "inactive";
                only?: "stock" | "misplaced";
            };
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "application/x-ndjson": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    exportItemsXLSX: {
        parameters: {
            query?: {
                zone?: string;
                product?: string;
                disposition?: "unknown" | "sellable_accessible" | "sellable_not_accessible" | "retail_sold" | "in_transit" | "inactive";
                only?: "stock" | "misplaced";
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            406: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    getItem: {
        parameters: {
            query?: never;
            header?: never;
            path: {
                site: string;
                epc: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["FoundItem"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    itemTrail: {
        parameters: {
            query?: {
                from?: string;
                to?: string;
                limit?: number;
                cursor?: string;
            };
            header?: never;
            path: {
                site: string;
                epc: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["FactList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    getLayout: {
        parameters: {
            query?: {
                version?: number;
            };
            header?: {
                "If-None-Match"?: string;
            };
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    "Last-Modified": components["headers"]["Last-Modified"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["Layout"];
                };
            };
            304: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    "Last-Modified": components["headers"]["Last-Modified"];
                    [name: string]: unknown;
                };
                content?: never;
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    putLayout: {
        parameters: {
            query?: {
                dry_run?: "true" | "false" | "1" | "0";
                note?: string;
            };
            header?: {
                "If-Match"?: string;
                "If-None-Match"?: string;
            };
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["Layout"];
            };
        };
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["LayoutSaved"] | components["schemas"]["LayoutDryRun"];
                };
            };
            201: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["LayoutSaved"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            412: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    diffLayout: {
        parameters: {
            query?: {
                from?: number;
                to?: number;
            };
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["DocumentDiff"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    restoreLayout: {
        parameters: {
            query?: never;
            header?: {
                "If-Match"?: string;
                "Idempotency-Key"?: string;
            };
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["RestoreRequest"];
            };
        };
        responses: {
            200: {
                headers: {
                    ETag: components["headers"]["ETag"];
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["Restored"];
                };
            };
            400: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            409: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            412: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    layoutVersions: {
        parameters: {
            query?: never;
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["VersionList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    live: {
        parameters: {
            query?: {
                after?: string;
            };
            header?: {
                "Last-Event-ID"?: string;
            };
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "text/event-stream": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    listPicks: {
        parameters: {
            query?: {
                from?: string;
                to?: string;
                lines?: "picks" | "shortages";
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["PickList"];
                    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": string;
                    "text/csv": string;
                    "text/html": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            406: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    listPicksCSV: {
        parameters: {
            query?: {
                from?: string;
                to?: string;
                lines?: "picks" | "shortages";
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "text/csv": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    listPicksPage: {
        parameters: {
            query?: {
                from?: string;
                to?: string;
                lines?: "picks" | "shortages";
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "text/html": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    listPicksXLSX: {
        parameters: {
            query?: {
                from?: string;
                to?: string;
                lines?: "picks" | "shortages";
                defuse?: "true" | "false" | "1" | "0";
            };
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    "Content-Disposition": components["headers"]["Content-Disposition"];
                    [name: string]: unknown;
                };
                content: {
                    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": string;
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    listReadPoints: {
        parameters: {
            query?: never;
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ReadPointList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    postReads: {
        parameters: {
            query?: {
                wait?: string;
            };
            header?: {
                "Idempotency-Key"?: string;
            };
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/json": components["schemas"]["PostReadsBody"];
                "application/x-ndjson": string;
            };
        };
        responses: {
            200: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["BatchAnswer"];
                };
            };
            202: {
                headers: {
                    "Idempotency-Replayed": components["headers"]["Idempotency-Replayed"];
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["BatchAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            413: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            415: {
                headers: {
                    "Accept-Encoding": components["headers"]["Accept-Encoding"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            422: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    listStock: {
        parameters: {
            query?: {
                below?: "minimum";
                product?: string;
                zone?: string;
                limit?: number;
                cursor?: string;
            };
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["StockList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    why: {
        parameters: {
            query?: {
                rule?: string;
                item?: string;
                fact?: string;
                gtin?: string;
                place?: string;
                reader?: string;
                count?: string;
                zone?: string;
            };
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["WhyAnswer"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    listZones: {
        parameters: {
            query?: never;
            header?: never;
            path: {
                site: string;
            };
            cookie?: never;
        };
        requestBody?: never;
        responses: {
            200: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/json": components["schemas"]["ZoneList"];
                };
            };
            400: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            401: {
                headers: {
                    "WWW-Authenticate": components["headers"]["WWW-Authenticate"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            403: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            404: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            500: {
                headers: {
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
            503: {
                headers: {
                    "Retry-After": components["headers"]["Retry-After"];
                    [name: string]: unknown;
                };
                content: {
                    "application/problem+json": components["schemas"]["Problem"];
                };
            };
        };
    };
    alert: {
        parameters: {
            query?: never;
            header?: {
                "webhook-id"?: string;
                "webhook-timestamp"?: string;
                "webhook-signature"?: string;
            };
            path?: never;
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/cloudevents+json": components["schemas"]["AlertCloudEvent"];
                "application/json": components["schemas"]["AlertMessage"];
            };
        };
        responses: {
            410: {
                headers: {
                    [name: string]: unknown;
                };
                content?: never;
            };
            "2XX": {
                headers: {
                    [name: string]: unknown;
                };
                content?: never;
            };
        };
    };
    channel: {
        parameters: {
            query?: never;
            header?: {
                "webhook-id"?: string;
                "webhook-timestamp"?: string;
                "webhook-signature"?: string;
            };
            path?: never;
            cookie?: never;
        };
        requestBody: {
            content: {
                "application/cloudevents+json": components["schemas"]["NoticeCloudEvent"];
                "application/json": components["schemas"]["NoticeMessage"];
            };
        };
        responses: {
            410: {
                headers: {
                    [name: string]: unknown;
                };
                content?: never;
            };
            "2XX": {
                headers: {
                    [name: string]: unknown;
                };
                content?: never;
            };
        };
    };
}
