set(web_tests ${CMAKE_CURRENT_SOURCE_DIR}/unit/web)
set(control_tests ${CMAKE_CURRENT_SOURCE_DIR}/unit/control)
unit_test(web_server_test SOURCES ${web_tests}/server_test.c ${web_tests}/web_fixture.c ${web_tests}/http_client.c
  ${control_tests}/fake_daemon.c LINKS web control journal)
target_include_directories(web_server_test PRIVATE ${control_tests})
target_link_libraries(web_server_test PRIVATE PkgConfig::jansson)
set_tests_properties(web_server_test PROPERTIES LABELS threads)
unit_test(web_curves_test SOURCES ${web_tests}/curves_test.c ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fixture.c
  LINKS web journal m)
target_include_directories(web_curves_test PRIVATE ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal)
target_link_libraries(web_curves_test PRIVATE PkgConfig::jansson)
unit_test(web_metrics_test SOURCES ${web_tests}/metrics_test.c LINKS web)
target_link_libraries(web_metrics_test PRIVATE PkgConfig::jansson)
set_tests_properties(web_metrics_test PROPERTIES SKIP_RETURN_CODE 77)
unit_test(web_api_test SOURCES ${web_tests}/api_test.c ${web_tests}/web_fixture.c ${web_tests}/http_client.c
  ${control_tests}/fake_daemon.c ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fixture.c LINKS web control journal m)
target_include_directories(web_api_test PRIVATE ${control_tests} ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal)
target_link_libraries(web_api_test PRIVATE PkgConfig::jansson)
