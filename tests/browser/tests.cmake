# The page in a real browser. Skips (and says so) when chromium, node or the packages are not there.
add_executable(page_record_maker ${CMAKE_CURRENT_SOURCE_DIR}/browser/record_maker.c)
target_link_libraries(page_record_maker PRIVATE harness)
add_test(NAME browser_page COMMAND sh ${CMAKE_CURRENT_SOURCE_DIR}/browser/run.sh ${PROJECT_BINARY_DIR} page.test.mjs)
set_tests_properties(browser_page PROPERTIES SKIP_RETURN_CODE 77 TIMEOUT 600 LABELS e2e RESOURCE_LOCK fast_clock)
# The pictures of docs/: RENEW=1 in the environment puts new ones there.
add_test(NAME page_pictures COMMAND sh ${CMAKE_CURRENT_SOURCE_DIR}/browser/run.sh ${PROJECT_BINARY_DIR} pictures.test.mjs)
set_tests_properties(page_pictures PROPERTIES SKIP_RETURN_CODE 77 TIMEOUT 200 LABELS e2e RESOURCE_LOCK fast_clock)
add_test(NAME web_flood COMMAND sh ${CMAKE_CURRENT_SOURCE_DIR}/browser/run.sh ${PROJECT_BINARY_DIR} flood.test.mjs)
set_tests_properties(web_flood PROPERTIES SKIP_RETURN_CODE 77 TIMEOUT 120 LABELS e2e RESOURCE_LOCK fast_clock ENVIRONMENT BROWSER=none)
